"""Works out the due lines and writes those that changed, with the history of their states."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from intervals.due import DueResult, compute_due, settled_date
from shop import clock
from shop.models import DailyRun, Depot, DueLine, Fitting, StateChange
from shop.selectors.core_inputs import CoreInputs, gather
from shop.selectors.due_candidates import due_candidates
from shop.selectors.due_facts import DueDraft, describe
from shop.selectors.overlays import OverlayFacts
from shop.services.marks import marks_take

CONTENT = [
    "vehicle_id", "state", "overlays", "must_not_move", "clock", "used_share", "opens_on", "due_on", "late_on",
    "due_low_on", "due_high_on", "book_by", "due_clock", "facts", "sentence",
]  # fmt: skip
VEHICLES_AT_ONCE = 5_000
DATES = ["due_on", "due_low_on", "due_high_on", "book_by"]


@dataclass(frozen=True, slots=True)
class DueReport:
    """What a refresh did, in lines."""

    lines: int
    added: int
    changed: int
    removed: int
    state_changes: int


def due_refresh(as_of: date, fittings: QuerySet[Fitting]) -> DueReport:
    """Work out the due lines of some fitted units as of a local day and write what changed.

    Lines of units that are no longer fitted or no longer have the rule are removed. Repeating it changes nothing.
    """
    with transaction.atomic():
        _one_at_a_time(fittings)
        inputs = gather(as_of, fittings)
        result = compute_due(
            as_of, inputs.distance, inputs.hours, inputs.time, inputs.opens_share, inputs.closes_share
        )
        return _write(as_of, inputs, result, set(fittings.values_list("unit", flat=True)))


def due_refresh_depot(depot_pk: int, as_of: date, *, is_full: bool = False) -> DueReport:
    """Refresh the units of a depot that may have changed since its last run; every unit on demand or the first time.

    Both ways end the same: a unit that is left out would only have used a little more of its interval.
    """
    with transaction.atomic():
        Depot.objects.select_for_update().get(pk=depot_pk)
        marked = marks_take(depot_pk)
        last = (
            DailyRun.objects.filter(depot=depot_pk, state=DailyRun.State.DONE, as_of__lte=as_of)
            .order_by("-as_of")
            .values_list("as_of", flat=True)
            .first()
        )
        if is_full or last is None:
            wanted = Fitting.objects.filter(vehicle__depot=depot_pk)
        else:
            wanted = due_candidates(depot_pk, marked, last, as_of)
        vehicles = sorted(set(wanted.values_list("vehicle", flat=True)))
        # A share of the fleet at a time: memory stays bounded however large it is.
        parts = [
            due_refresh(as_of, wanted.filter(vehicle__in=vehicles[at : at + VEHICLES_AT_ONCE]))
            for at in range(0, len(vehicles), VEHICLES_AT_ONCE)
        ]
    return DueReport(*(sum(getattr(part, name) for part in parts) for name in DueReport.__slots__))


def due_refresh_now(vehicle_pks: Collection[int]) -> None:
    """Refresh the units of some vehicles as of their depots' today, after a reading, an answer or a job."""
    depots = Depot.objects.filter(vehicles__in=vehicle_pks).distinct()
    for depot in depots:
        own = Fitting.objects.filter(vehicle__in=vehicle_pks, vehicle__depot=depot)
        due_refresh(clock.today(depot.time_zone), own)


def _one_at_a_time(fittings: QuerySet[Fitting]) -> None:
    """Make a second refresh of the same depots wait for this one, so that neither adds a line twice."""
    depots = Depot.objects.filter(pk__in=fittings.order_by().values("vehicle__depot"))
    list(depots.select_for_update().order_by("pk"))


def _write(as_of: date, inputs: CoreInputs, result: DueResult, unit_pks: set[int]) -> DueReport:
    overlays = OverlayFacts.gather(as_of, {line.fitting.vehicle_id for line in inputs.lines})
    existing = {(line.unit_id, line.rule_id): line for line in DueLine.objects.filter(unit__in=unit_pks)}
    added: list[DueLine] = []
    changed: list[DueLine] = []
    changes: list[tuple[DueLine, str]] = []
    for row, line in enumerate(inputs.lines):
        draft = describe(inputs, result, row)
        content = draft.content
        unit_pk = line.fitting.unit_id
        laid_over = overlays.of(unit_pk, line.rule.pk, line.fitting.vehicle, content["state"])
        content["overlays"] = laid_over
        content["must_not_move"] = "must not move" in laid_over
        old = existing.pop((unit_pk, line.rule.pk), None)
        if old is None:
            new = DueLine(unit_id=unit_pk, rule_id=line.rule.pk, worked_out_for=as_of, **content)
            added.append(new)
            changes.append((new, ""))
            continue
        _keep_steady_dates(old, draft, as_of)
        if all(getattr(old, name) == content[name] for name in CONTENT):
            continue
        if old.state != content["state"]:
            changes.append((old, old.state))
        for name in CONTENT:
            setattr(old, name, content[name])
        old.worked_out_for = as_of
        changed.append(old)
    _store(as_of, added, changed, changes)
    removed, _ = DueLine.objects.filter(pk__in=[line.pk for line in existing.values()]).delete()
    return DueReport(
        len(inputs.lines), len(added), len(changed), len(existing) if removed else 0, len(changes)
    )


def _store(
    as_of: date, added: list[DueLine], changed: list[DueLine], changes: list[tuple[DueLine, str]]
) -> None:
    DueLine.objects.bulk_create(added, batch_size=500)
    # One statement for many rows; an UPDATE with a CASE for each column and row takes many times as long.
    DueLine.objects.bulk_create(
        changed,
        update_conflicts=True,
        unique_fields=["id"],
        update_fields=[*CONTENT, "worked_out_for"],
        batch_size=500,
    )
    StateChange.objects.bulk_create(
        [
            StateChange(
                unit_id=line.unit_id,
                rule_id=line.rule_id,
                day=as_of,
                from_state=before,
                to_state=line.state,
                sentence=line.sentence,
            )
            for line, before in changes
        ],
        ignore_conflicts=True,
        batch_size=500,
    )


def _keep_steady_dates(old: DueLine, draft: DueDraft, as_of: date) -> None:
    """Leave the shown dates alone when they would move by a day or two and nothing else happened."""
    content = draft.content
    has_changed = (
        old.state != content["state"]
        or old.due_clock != content["due_clock"]
        or old.facts.get("done_on") != content["facts"]["done_on"]
        or old.worked_out_for > as_of
    )
    shown = [getattr(old, name) for name in DATES]
    settled = [
        settled_date(before, content[name], has_state_changed=has_changed)
        for name, before in zip(DATES, shown, strict=True)
    ]
    if settled == shown and None not in shown:
        draft.keep_dates(*shown)
