"""Recalls and bulletins: entered once, closed vehicle by vehicle."""

import datetime
from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.db import transaction

from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Person, Recall, RecallClosing, UnitModel, Vehicle
from shop.models.codes import in_addresses
from shop.selectors.access import vehicles_of
from shop.selectors.recalls import concerned_by, recalled_vehicles, today_of
from shop.services.changes import change_note, changes_write
from shop.services.due import due_refresh_now
from shop.services.marks import vehicles_mark


@dataclass(frozen=True, slots=True)
class RecallReport:
    """A notice as it came in. unit_models, vehicles: codes and numbers; at least one of the two lists."""

    code: str
    title: str
    source: str
    kind: str
    from_day: datetime.date
    text: str = ""
    changes_from: datetime.date | None = None
    unit_models: tuple[str, ...] = ()
    vehicles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClosingReport:
    """How a recall was closed on a vehicle."""

    closed_on: datetime.date
    closed_by: str
    how: str


def recall_enter(person: Person, report: RecallReport) -> Recall:
    """Put a recall on record; what it holds back is held from its day on.

    Raises NotAllowed, InputError with the fields that are wrong, ConflictError when its code is taken.
    """
    if not person.can("plan"):
        raise NotAllowed("Your role may not enter recalls; ask the fleet, the stores or the foreman.")
    models = {model.code: model for model in UnitModel.objects.filter(code__in=report.unit_models)}
    vehicles = {own.number: own for own in vehicles_of(person).filter(number__in=report.vehicles)}
    _check(report, set(models), set(vehicles))
    with transaction.atomic():
        if Recall.objects.filter(code=report.code).exists():
            sentence = f"{report.code} is on record already; open it on the list."
            raise ConflictError(sentence, fields={"code": sentence})
        values = {
            "title": report.title.strip(), "source": report.source.strip(), "kind": report.kind,
            "from_day": report.from_day, "text": report.text.strip(), "changes_from": report.changes_from,
        }  # fmt: skip
        recall = Recall.objects.create(code=report.code, **values)
        recall.unit_models.set(models.values())
        recall.vehicles.set(vehicles.values())
        after = values | {"unit_models": sorted(models), "vehicles": sorted(vehicles)}
        changes_write([change_note(recall, recall.code, after=after)], person=person)
        # Its vehicles may stand in depots this person does not see: the next daily run takes them.
        everywhere = recalled_vehicles([recall.pk])
        vehicles_mark({one.vehicle_pk for one in concerned_by([recall], everywhere)})
        _follow(person, recall)
    return recall


def recall_close(person: Person, recall: Recall, vehicle: Vehicle, report: ClosingReport) -> RecallClosing:
    """Close a recall on one vehicle; the hold goes with it. The same again changes nothing.

    Raises NotAllowed, InputError with the fields that are wrong, ConflictError when it is closed otherwise already.
    """
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not close recalls; ask a technician, the fleet or the foreman.")
    wrong = {}
    if not recall.from_day <= report.closed_on <= today_of(vehicle):
        wrong["closed_on"] = f"Give a day from {recall.from_day} to today."
    if not report.closed_by.strip():
        wrong["closed_by"] = "Who closed it? Write the name."
    if not report.how.strip():
        wrong["how"] = "Say how: what was done, or the letter that clears it."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    values = {"closed_on": report.closed_on, "closed_by": report.closed_by.strip(), "how": report.how.strip()}
    with transaction.atomic():
        Vehicle.objects.select_for_update(no_key=True).get(pk=vehicle.pk)
        held = RecallClosing.objects.filter(recall=recall, vehicle=vehicle).first()
        if held is not None:
            if all(getattr(held, name) == value for name, value in values.items()):
                return held
            raise ConflictError(
                f"{recall.code} is closed on {vehicle.number} since {held.closed_on}, by {held.closed_by}."
            )
        closing = RecallClosing.objects.create(recall=recall, vehicle=vehicle, **values)
        changes_write([change_note(closing, f"{recall.code} {vehicle.number}", after=values)], person=person)
        due_refresh_now([vehicle.pk])
    return closing


def _check(report: RecallReport, models: set[str], vehicles: set[str]) -> None:
    wrong = {}
    try:
        in_addresses(report.code)
    except ValidationError as error:
        wrong["code"] = " ".join(error.messages)
    if not report.code.strip():
        wrong["code"] = "Write the number on the notice."
    for name in ("title", "source"):
        if not getattr(report, name).strip():
            wrong[name] = "Write it down; without it nobody can look the notice up."
    if report.kind not in Recall.Kind.values:
        wrong["kind"] = f"“{report.kind}” is no kind; allowed: {', '.join(Recall.Kind.values)}."
    if report.changes_from is not None and report.kind != Recall.Kind.NEW_FIGURES:
        wrong["changes_from"] = f"Only one that {Recall.Kind.NEW_FIGURES} has such a day; leave it empty."
    if not report.unit_models and not report.vehicles:
        wrong["unit_models"] = "Say which unit models or vehicles it is about."
    if unknown := [one for one in report.unit_models if one not in models]:
        wrong["unit_models"] = f"There is no unit model {', '.join(unknown)}; correct it."
    if unknown := [one for one in report.vehicles if one not in vehicles]:
        wrong["vehicles"] = f"There is no vehicle {', '.join(unknown)} in your depots; correct it."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def _follow(person: Person, recall: Recall) -> None:
    """Work out the person's own vehicles it is about at once."""
    own = vehicles_of(person).filter(pk__in=recalled_vehicles([recall.pk])).values_list("pk", flat=True)
    due_refresh_now({one.vehicle_pk for one in concerned_by([recall], list(own))})
