"""Deferrals: a due line put off until a day or a meter total, signed, back by itself, or ended early by a person."""

import datetime
from dataclasses import dataclass

from django.db import transaction

from intervals.errors import QuantityError
from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import DueLine, Hold, MeterChange, Person, Unit
from shop.selectors.deferrals import DeferralAsked, deferral_sight, meter_of
from shop.selectors.holds import holds_in_force
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.meter_history import shown_value, total_on

SHORTEST_REASON = 5


@dataclass(frozen=True, slots=True)
class DeferralReport:
    """A deferral as a person signs it.

    answers_for: who answers for a warranty or safety item, or a closed window, where one is concerned.
    """

    asked: DeferralAsked
    reason: str
    signed_by: str
    answers_for: str = ""


def deferral_asked(line: DueLine, until: datetime.date | None, meter_text: str) -> DeferralAsked:
    """Return until when, from a day and what the line's meter will show; raises InputError naming the field."""
    if not meter_text.strip():
        return DeferralAsked(until)
    meter = meter_of(line)
    if meter is None:
        sentence = "This line counts on no meter that can be read; give a day instead."
        raise InputError(sentence, fields={"until_total": sentence})
    today = clock.today(line.vehicle.depot.time_zone)
    try:
        total = total_on(
            shown_value(meter_text, meter), today, meter, MeterChange.objects.filter(meter=meter)
        )
    except QuantityError as error:
        raise InputError(str(error), fields={"until_total": str(error)}) from error
    return DeferralAsked(until, total)


def deferral_sign(person: Person, line: DueLine, report: DeferralReport) -> Hold:
    """Sign a deferral of a due line; the overlay follows, and goes again on its day by itself.

    Raises NotAllowed, InputError with the fields that are wrong or missing, ConflictError when the line is put off
    already.
    """
    _allowed(person)
    with transaction.atomic():
        Unit.objects.select_for_update(no_key=True).get(pk=line.unit_id)
        today = clock.today(line.vehicle.depot.time_zone)
        held = (
            holds_in_force(today)
            .filter(kind=Hold.Kind.DEFERRAL, unit=line.unit_id, rule=line.rule_id)
            .first()
        )
        if held is not None:
            raise ConflictError(
                f"It is put off until {held.until} already, signed {held.signed_by}; end that first."
            )
        sight = deferral_sight(line, report.asked)
        if sight.refusal:
            raise InputError(sight.refusal, fields={"until": sight.refusal})
        _check(report, sight.asks_for)
        hold = Hold(
            vehicle=line.vehicle,
            unit_id=line.unit_id,
            rule_id=line.rule_id,
            kind=Hold.Kind.DEFERRAL,
            reason=report.reason.strip(),
            from_day=today,
            until=sight.comes_back_on,
            until_meter=sight.meter,
            until_total=sight.until_total,
            signed_by=report.signed_by.strip(),
            answers_for=report.answers_for.strip() if sight.asks_for else "",
            share_then=sight.share,
        )
        hold.save()
        after = {
            "until": hold.until, "until_total": hold.until_total, "reason": hold.reason, "signed_by": hold.signed_by,
            "answers_for": hold.answers_for, "share_then": hold.share_then,
        }  # fmt: skip
        changes_write([change_note(hold, _key(line), after=after)], person=person)
        due_refresh_now([line.vehicle_id])
    return hold


def deferral_end(person: Person, hold: Hold, why: str) -> Hold:
    """End a deferral before its day; it stays on the list as ended. Raises NotAllowed, InputError, ConflictError."""
    _allowed(person)
    if len(why.strip()) < SHORTEST_REASON:
        sentence = f"Say in {SHORTEST_REASON} characters or more why it ends before its day."
        raise InputError(sentence, fields={"why": sentence})
    with transaction.atomic():
        held = Hold.objects.select_for_update(of=("self",)).get(pk=hold.pk)
        today = clock.today(hold.vehicle.depot.time_zone)
        if not holds_in_force(today).filter(pk=held.pk).exists():
            raise ConflictError("It is over already; nothing was changed.")
        _end(held, today, str(person), why.strip())
        after = {"ended_on": today, "ended_by": held.ended_by, "ended_why": held.ended_why}
        unit = held.unit.code if held.unit else held.vehicle.number
        changes_write(
            [change_note(held, f"{unit} deferral", before={"ended_on": None}, after=after)], person=person
        )
        due_refresh_now([held.vehicle_id])
    return held


def deferrals_done(unit: Unit, subject: str, done_on: datetime.date, done_by: str) -> None:
    """End what a finished job has made needless, inside the transaction that closes it."""
    for held in Hold.objects.filter(
        kind=Hold.Kind.DEFERRAL, unit=unit, rule__subject=subject, ended_on__isnull=True, until__gt=done_on
    ):
        _end(held, max(done_on, held.from_day), done_by, "the job is done")


def _end(held: Hold, day: datetime.date, by: str, why: str) -> None:
    held.ended_on, held.ended_by, held.ended_why = day, by, why
    held.save(update_fields=["ended_on", "ended_by", "ended_why"])


def _check(report: DeferralReport, asks_for: tuple[str, ...]) -> None:
    wrong = {}
    if len(report.reason.strip()) < SHORTEST_REASON:
        wrong["reason"] = f"Say in {SHORTEST_REASON} characters or more why it is put off."
    if not report.signed_by.strip():
        wrong["signed_by"] = "Who signs? Write the name."
    if asks_for and not report.answers_for.strip():
        wrong["answers_for"] = f"Somebody named has to answer for it: {'; '.join(asks_for)}."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def _allowed(person: Person) -> None:
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not sign deferrals; ask the foreman.")


def _key(line: DueLine) -> str:
    return f"{line.unit.code} {line.rule.subject} deferral"
