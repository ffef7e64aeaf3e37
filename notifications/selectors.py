"""What a morning looks like to one person, gathered in a number of queries that does not grow with the fleet."""

import datetime
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Q, QuerySet

from notifications.models import Mail
from notifications.render.facts import (
    Booking,
    DigestInput,
    DueItem,
    FullTank,
    HalfDone,
    LateDelivery,
    OrderItem,
    Question,
    Yesterday,
)
from notifications.render.lines import SOON_DAYS
from notifications.render.words import amount_words, day_words, share_words, shortened, volume_words
from shop.models import (
    DailyRun,
    Depot,
    DueLine,
    Job,
    OrderMail,
    Person,
    ProposedLine,
    Reading,
    SupplierOrder,
    WasteTank,
)
from shop.selectors.access import depots_of, due_lines_of, jobs_of, proposed_lines_of, readings_of
from shop.selectors.due import MUST_NOT_MOVE, ON_HOLD, in_working_order, stale_lines
from shop.selectors.due_search import IN_THE_BAY, missed_bookings
from shop.selectors.due_today import explained
from shop.selectors.holds import holds_on
from shop.selectors.supplier_orders import LateLine, days_late, late_lines, lines_coming, units_waiting
from shop.selectors.wastes import containers_shown

REASON_CHARACTERS = 90
TO_ORDER = ["order today", "this week"]


def people_to_tell(depot: Depot) -> QuerySet[Person]:
    """Return who gets the daily mail and sees a depot; a superuser sees all of them."""
    return _on_the_list(depot).exclude(email="").order_by("username").prefetch_related("depots")


def people_without_address(depot: Depot) -> QuerySet[Person]:
    """Return who should get the daily mail about a depot but has no address."""
    return _on_the_list(depot).filter(email="")


def _on_the_list(depot: Depot) -> QuerySet[Person]:
    sees = Q(depots=depot) | Q(is_superuser=True)
    return Person.objects.filter(sees, gets_daily_mail=True, is_active=True).distinct()


def mails_waiting() -> QuerySet[Mail]:
    """Return the mails that are not out yet, the oldest first."""
    waiting = Mail.objects.filter(state__in=[Mail.State.QUEUED, Mail.State.SENDING])
    return waiting.select_related("person").order_by("queued_at", "pk")


def order_mails_waiting() -> QuerySet[OrderMail]:
    """Return the orders to suppliers, and what calls them off, that are not out yet, the oldest first.

    An order cancelled while a sender had its mail in hand does not go out any more.
    """
    waiting = OrderMail.objects.filter(state__in=[OrderMail.State.QUEUED, OrderMail.State.SENDING])
    waiting = waiting.exclude(kind=OrderMail.Kind.ORDER, order__state=SupplierOrder.State.CANCELLED)
    return waiting.select_related("order__depot", "order__supplier", "order__placed_by").order_by(
        "queued_at", "pk"
    )


@dataclass(frozen=True, slots=True)
class _JobsOfTheDay:
    """The jobs a morning is about, sorted by what they are to it."""

    half_done: list[Job]
    bays: dict[tuple[int, str], str]
    bookings: dict[tuple[int, str], datetime.datetime]
    today: list[Booking]
    closed: list[Job]
    missed: list[Job]

    @classmethod
    def gather(cls, person: Person, as_of: datetime.date) -> "_JobsOfTheDay":
        """Read them in one query and sort them by each depot's own day."""
        yesterday = as_of - datetime.timedelta(days=1)
        # Two days back in UTC holds the whole local day before, whatever the time zone.
        from_instant = datetime.datetime.combine(as_of, datetime.time(), datetime.UTC) - datetime.timedelta(
            days=2
        )
        wanted = (
            Q(state__in=IN_THE_BAY)
            | Q(state__in=[Job.State.BOOKED, Job.State.NO_SHOW], booked_for__gte=from_instant)
            | Q(state=Job.State.HANDED_BACK, done_on=yesterday)
        )
        found = cls([], {}, {}, [], [], [])
        jobs = jobs_of(person).filter(wanted).select_related("vehicle__depot").order_by("booked_for", "pk")
        for job in jobs:
            found._sort_in(job, as_of, yesterday)
        return found

    def _sort_in(self, job: Job, as_of: datetime.date, yesterday: datetime.date) -> None:
        key = (job.unit_id, job.subject)
        if job.state == Job.State.HANDED_BACK:
            self.closed.append(job)
        elif job.state in IN_THE_BAY:
            self.bays[key] = job.bay or "the shed"
            if job.state in Job.MUST_NOT_MOVE:
                self.half_done.append(job)
        elif job.booked_for is not None:
            local = _local(job.booked_for, job.vehicle.depot)
            if job.state == Job.State.NO_SHOW:
                self.missed.extend([job] if local.date() == yesterday else [])
            elif local.date() >= as_of:
                self.bookings.setdefault(key, local)
                self.today.extend([_booking(job, local)] if local.date() == as_of else [])


def digest_gather(person: Person, as_of: datetime.date, not_yet: Sequence[Depot] = ()) -> DigestInput:
    """Gather what one person is to be told about a day: the stored lines of that person's depots.

    not_yet: depots whose run of the day is still to come.
    """
    depots = list(depots_of(person))
    jobs = _JobsOfTheDay.gather(person, as_of)
    soon = (as_of, as_of + datetime.timedelta(days=SOON_DAYS))
    worth_telling = ~Q(state="not yet") | Q(must_not_move=True) | Q(due_on__range=soon)
    lines = explained(in_working_order(due_lines_of(person).filter(worth_telling)), as_of)
    proposed = list(proposed_lines_of(person).order_by("latest_order_day", "product__code"))
    failed = DailyRun.objects.filter(depot__in=depots, as_of=as_of, state=DailyRun.State.FAILED)
    return DigestInput(
        day=as_of,
        depots=tuple(depot.name for depot in depots),
        site_url=settings.SITE_URL.rstrip("/"),
        failed=tuple(failed.order_by("depot__code").values_list("depot__code", flat=True)),
        not_yet=tuple(sorted(depot.code for depot in not_yet)),
        half_done=tuple(_half_done(jobs.half_done, lines, as_of)),
        due=tuple(_due_items(lines, jobs, as_of)),
        bookings=tuple(jobs.today),
        orders=tuple(_order_items(proposed)),
        late_deliveries=tuple(_late_deliveries(person)),
        questions=(*_odd_readings(person), *_blocked(proposed), *_stale(person, as_of), *_unknown(lines)),
        tanks=tuple(_full_tanks(depots, as_of)),
        yesterday=_yesterday(jobs, depots),
    )


def _local(instant: datetime.datetime, depot: Depot) -> datetime.datetime:
    return instant.astimezone(ZoneInfo(depot.time_zone)).replace(tzinfo=None)


def _what(model_code: str, subject: str) -> str:
    return model_code if subject == "fluid" else f"{model_code} {subject}"


def _standing(line: DueLine | None) -> str:
    if line is None:
        return ""
    share = f" {share_words(line.used_share)}" if line.used_share is not None else ""
    return f"{line.state}{share}"


def _half_done(jobs: list[Job], lines: list[DueLine], as_of: datetime.date) -> Iterable[HalfDone]:
    by_key = {(line.unit_id, line.rule.subject): line for line in lines}
    for job in jobs:
        depot = job.vehicle.depot
        yield HalfDone(
            vehicle=job.vehicle.number,
            unit_code=job.unit.code,
            what=_what(job.unit.unit_model.code, job.subject),
            place=f"{depot.code} {job.bay}".strip(),
            state=job.state,
            since=_local(job.state_since, depot) if job.state_since else None,
            out_l=job.out_l,
            out_kg=job.out_kg,
            in_l=job.in_l,
            volume_unit=depot.volume_unit,
            standing=_standing(by_key.get((job.unit_id, job.subject))),
        )
    told = {job.unit_id for job in jobs}
    stopped = {line.vehicle_id for line in lines if line.must_not_move and ON_HOLD in line.overlays}
    recalls = {
        pk: next((hold.recall_code for hold in holds if hold.is_stop_drive), "")
        for pk, holds in holds_on(as_of, stopped).items()
    }
    for line in lines:
        if line.must_not_move and line.unit_id not in told:
            stop = recalls.get(line.vehicle_id, "")
            # A vehicle stopped by a recall is told once, not once for each of its units.
            told |= (
                {one.unit_id for one in lines if one.vehicle_id == line.vehicle_id}
                if stop
                else {line.unit_id}
            )
            yield HalfDone(
                vehicle=line.vehicle.number,
                unit_code=line.unit.code,
                what=_what(line.unit.unit_model.code, line.rule.subject),
                place=line.vehicle.depot.code,
                state="not finished",
                stopped_by=f"stop-drive recall {stop}" if stop else "",
                volume_unit=line.vehicle.depot.volume_unit,
                standing=_standing(line),
            )


def _due_items(lines: list[DueLine], jobs: _JobsOfTheDay, as_of: datetime.date) -> Iterable[DueItem]:
    units = {line.unit_id for line in lines}
    missed = Counter(missed_bookings().filter(unit__in=units).values_list("unit_id", "subject"))
    reasons = _hold_reasons(lines, as_of)
    for line in lines:
        if line.state == "cannot say":
            continue
        key = (line.unit_id, line.rule.subject)
        clock = next((clock for clock in line.facts.get("clocks", []) if clock["clock"] == line.clock), {})
        yield DueItem(
            vehicle=line.vehicle.number,
            unit_code=line.unit.code,
            what=_what(line.unit.unit_model.code, line.rule.subject),
            state=line.state,
            overlays=tuple(line.overlays) or ((MUST_NOT_MOVE,) if line.must_not_move else ()),
            used_share=line.used_share,
            clock=line.clock,
            used=clock.get("used"),
            limit=clock.get("limit"),
            unit=clock.get("unit", ""),
            carried=line.facts.get("carried"),
            due_on=line.due_on,
            due_low_on=line.due_low_on,
            due_high_on=line.due_high_on,
            booked=jobs.bookings.get(key),
            bay=jobs.bays.get(key, ""),
            missed=missed[key],
            spare_from=line.vehicle.spare_from,
            hold_reason=reasons.get(line.pk, ""),
        )


def _hold_reasons(lines: list[DueLine], as_of: datetime.date) -> dict[int, str]:
    """Return the newest reason each held line is held for."""
    held = [line for line in lines if ON_HOLD in line.overlays]
    holds = holds_on(as_of, {line.vehicle_id for line in held})
    return {
        line.pk: next(
            (hold.reason for hold in holds[line.vehicle_id] if hold.covers(line.unit_id, line.rule_id)), ""
        )
        for line in held
    }


def _booking(job: Job, local: datetime.datetime) -> Booking:
    return Booking(
        vehicle=job.vehicle.number,
        unit_code=job.unit.code,
        what=_what(job.unit.unit_model.code, job.subject),
        at=local.time(),
        bay=job.bay,
    )


def _order_items(lines: list[ProposedLine]) -> Iterable[OrderItem]:
    chosen = [line for line in lines if line.when in TO_ORDER]
    for line in sorted(
        chosen, key=lambda line: (line.when != TO_ORDER[0], _cut_off(line) or datetime.time.max)
    ):
        packs = [f"{pack['count']} × {pack['printed']}" for pack in line.facts.get("packs", [])]
        vehicles = dict.fromkeys(job["vehicle"] for job in line.facts.get("jobs", []))
        yield OrderItem(
            product=str(line.product),
            is_today=line.when == TO_ORDER[0],
            packs=" + ".join(packs) or amount_words(line.order_l, "L"),
            net_l=line.net_l,
            supplier=line.supplier.name if line.supplier else "",
            cut_off=_cut_off(line),
            latest_day=line.latest_order_day,
            vehicles=tuple(vehicles),
            volume_unit=line.depot.volume_unit,
        )


def _late_deliveries(person: Person) -> Iterable[LateDelivery]:
    """Put the late lines of one order together; those of a file belong together by supplier."""
    coming = lines_coming(person)
    waiting = units_waiting(person, coming) if any(days_late(line) > 0 for line in coming) else {}
    grouped: dict[tuple[str, str], list[LateLine]] = defaultdict(list)
    for own in late_lines(coming, waiting):
        number = own.line.order.number if own.line.order else ""
        grouped[number, own.line.supplier.code].append(own)
    for (number, _), late in grouped.items():
        units = [unit for own in late for unit in own.units]
        litres = [
            f"{volume_words(own.line.outstanding_l, own.line.depot.volume_unit)} {own.line.product.code}"
            for own in late
        ]
        yield LateDelivery(
            order=number,
            supplier=late[0].line.supplier.name,
            phone=late[0].line.supplier.phone,
            what=", ".join(litres),
            days=max(own.days for own in late),
            vehicles=tuple(unit.waiting.job.unit_label.split(" ", 1)[0] for unit in units),
        )


def _cut_off(line: ProposedLine) -> datetime.time | None:
    return line.supplier.cut_off if line.supplier else None


def _odd_readings(person: Person) -> Iterable[Question]:
    asked = (
        readings_of(person).filter(status=Reading.Status.ASKED).order_by("meter__vehicle__number", "read_at")
    )
    for reading in asked:
        meter = reading.meter
        meant = (
            f"meant {amount_words(reading.guess_value, meter.shown_in)}?"
            if reading.guess_value is not None
            else shortened(reading.question, REASON_CHARACTERS)
        )
        yield Question(meter.vehicle.number, f"Confirm the reading {reading.raw_text}: {meant}", "/readings")


def _blocked(lines: list[ProposedLine]) -> Iterable[Question]:
    for line in lines:
        for blocked in line.facts.get("blocked", []):
            reason = shortened(blocked["reason"], REASON_CHARACTERS)
            yield Question(blocked["unit"], f"Swap the reserved {line.product.code}: {reason}", "/orders")


def _stale(person: Person, as_of: datetime.date) -> Iterable[Question]:
    found = stale_lines(due_lines_of(person), as_of)
    oldest: dict[str, datetime.date] = {}
    for number, read_on in found.order_by("vehicle__number").values_list("vehicle__number", "counted_from"):
        oldest[number] = min(read_on, oldest.get(number, read_on))
    for number, read_on in oldest.items():
        days = (as_of - read_on).days
        yield Question(
            number, f"Read the meter: last reading {day_words(read_on, as_of)}, {days} days old", "/readings"
        )


def _unknown(lines: list[DueLine]) -> Iterable[Question]:
    per_vehicle: dict[str, list[DueLine]] = defaultdict(list)
    for line in lines:
        if line.state == "cannot say":
            per_vehicle[line.vehicle.number].append(line)
    for number, unknown in per_vehicle.items():
        first = unknown[0]
        reason = ", ".join(first.facts.get("missing", [])) or first.sentence
        what = _what(first.unit.unit_model.code, first.rule.subject)
        more = f" and {len(unknown) - 1} more" if len(unknown) > 1 else ""
        ask = f"Find out about {what}{more}: {shortened(reason, REASON_CHARACTERS)}"
        yield Question(number, ask, f"/vehicles/{number}")


def _full_tanks(depots: list[Depot], as_of: datetime.date) -> Iterable[FullTank]:
    tanks = (
        WasteTank.objects.filter(depot__in=depots).select_related("depot").order_by("depot__code", "stream")
    )
    for own in containers_shown(tanks, as_of):
        tank, call = own.tank, own.call
        if call.state == "call today" and call.call_level_l is not None and own.open_line is None:
            yield FullTank(
                tank.depot.code,
                tank.stream,
                tank.level_l,
                tank.capacity_l,
                call.call_level_l,
                tank.depot.volume_unit,
            )


def _yesterday(jobs: _JobsOfTheDay, depots: list[Depot]) -> Yesterday:
    litres: list[Any] = [job.in_l for job in jobs.closed]
    units = {depot.volume_unit for depot in depots}
    return Yesterday(
        closed=tuple(job.vehicle.number for job in jobs.closed),
        in_l=sum(amount for amount in litres if amount is not None),
        unknown=sum(amount is None for amount in litres),
        missed=tuple(job.vehicle.number for job in jobs.missed),
        volume_unit=units.pop() if len(units) == 1 else "L",
    )
