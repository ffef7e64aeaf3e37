"""Containers for old fluid: litres poured in, levels put right by a dip, containers added and changed."""

from dataclasses import asdict, dataclass
from math import isfinite

from django.db import transaction
from django.db.models import F
from django.db.models.functions import Greatest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Depot, Job, Person, WasteCollection, WasteMovement, WasteTank
from shop.planning.demand import DUST_L
from shop.planning.waste_streams import STREAM_NAMES, refusal_to_mix
from shop.services.changes import change_note, changes_write

Reason = WasteMovement.Reason
MOST_LITRES = 1e6


@dataclass(frozen=True, slots=True)
class ContainerReport:
    """A container as a person describes it; which one it is follows from depot and stream."""

    stream: str
    capacity_l: float
    mean_per_day_l: float
    sd_per_day_l: float
    collector_lead_days: int
    place: str = ""
    waste_code: str = ""


@dataclass(frozen=True, slots=True)
class Pour:
    """Who moves old fluid, and for what: a job, a collection, or a reason in words."""

    person: Person | None = None
    note: str = ""
    job: Job | None = None
    collection: WasteCollection | None = None


def waste_move(tank: WasteTank, litres: float, reason: str, pour: Pour) -> WasteMovement:
    """Book litres into (above zero) or out of a container, so that it never runs over or below empty.

    Runs inside the caller's transaction. Raises ConflictError when it cannot take or does not hold them.
    """
    fits = WasteTank.objects.filter(pk=tank.pk)
    if litres >= 0:
        fits = fits.filter(capacity_l__gte=F("level_l") + litres - DUST_L)
    else:
        fits = fits.filter(level_l__gte=-litres - DUST_L)
    if not fits.update(level_l=Greatest(F("level_l") + litres, 0.0)):
        held = WasteTank.objects.get(pk=tank.pk)
        if litres >= 0:
            sentence = (
                f"The {held.stream} tank holds {held.level_l:.0f} of {held.capacity_l:.0f} L and cannot take "
                f"{litres:.1f} L more; have it collected, or dip it if the books are wrong (page Wastes), and do this "
                "again."
            )
        else:
            sentence = (
                f"The {held.stream} tank holds {held.level_l:.1f} L by the books, not {-litres:.1f} L; dip it and put "
                "the level right first (page Wastes)."
            )
        raise ConflictError(sentence, fields={"litres": sentence})
    return WasteMovement.objects.create(
        tank=tank, litres=litres, reason=reason, note=pour.note.strip()[:200], job=pour.job,
        collection=pour.collection, moved_at=clock.now(), moved_by=pour.person,
    )  # fmt: skip


def waste_pour(person: Person, tank: WasteTank, stream: str, litres: float, note: str = "") -> WasteMovement:
    """Book litres poured into a container outside a job, e.g. from a drip tray or a returned can.

    stream: what is poured, as the person who pours it says. Raises NotAllowed, InputError for another stream than the
    container's, ConflictError when it is full.
    """
    if not (person.can("do") or person.can("plan")):
        raise NotAllowed("Your role may not book old fluid; ask a technician or Stores.")
    refusal = refusal_to_mix(stream, tank.stream)
    if refusal is not None:
        raise InputError(refusal, fields={"stream": refusal})
    _litres_above_zero(litres, "litres")
    with transaction.atomic():
        return waste_move(tank, litres, Reason.POURED, Pour(person, note))


def waste_dip(person: Person, tank: WasteTank, level_l: float, note: str) -> WasteMovement | None:
    """Set a container's level to what a dip showed; the difference becomes a movement with a reason and a name.

    Returns the movement, None when the books were right. Raises NotAllowed, InputError.
    """
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not correct a level; ask Stores or the foreman.")
    if not note.strip():
        sentence = "Say how the level was taken or why the books were off, e.g. “dip stick, Monday round”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        held = WasteTank.objects.select_for_update(of=("self",)).get(pk=tank.pk)
        if not (isfinite(level_l) and 0 <= level_l <= held.capacity_l):
            sentence = f"{level_l:g} L cannot stand in a container of {held.capacity_l:g} L; dip it again."
            raise InputError(sentence, fields={"level_l": sentence})
        difference_l = level_l - held.level_l
        if abs(difference_l) <= DUST_L:
            return None
        return waste_move(held, difference_l, Reason.DIPPED, Pour(person, note))


def container_write(person: Person, depot: Depot, report: ContainerReport) -> WasteTank:
    """Add a depot's container for a stream, empty, or change the one there is; what is the same changes nothing.

    Raises NotAllowed, InputError naming the fields that are wrong.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change containers; ask the foreman.")
    with transaction.atomic():
        held = (
            WasteTank.objects.select_for_update(of=("self",))
            .filter(depot=depot, stream=report.stream)
            .first()
        )
        wrong = _faults(report, held.level_l if held else 0.0)
        if wrong:
            raise InputError(" ".join(wrong.values()), fields=wrong)
        tank = held or WasteTank(depot=depot, level_l=0.0)
        values = asdict(report) | {"place": report.place.strip(), "waste_code": report.waste_code.strip()}
        before = {name: getattr(tank, name) for name in values} if held else None
        if before == values:
            return tank
        for name, value in values.items():
            setattr(tank, name, value)
        # The level belongs to the movements; a change of the rest never writes an older one back.
        tank.save(update_fields=list(values) if held else None)
        note = change_note(tank, f"{depot.code} {tank.stream}", before=before, after=values)
        changes_write([note], person=person)
    return tank


def _faults(report: ContainerReport, level_l: float) -> dict[str, str]:
    wrong = {}
    if report.stream not in STREAM_NAMES:
        wrong["stream"] = f"“{report.stream}” is no stream of the house; allowed: {', '.join(STREAM_NAMES)}."
    if not 0 < report.capacity_l < MOST_LITRES:
        wrong["capacity_l"] = "Give the brim litres, above zero."
    elif report.capacity_l < level_l:
        wrong["capacity_l"] = f"{level_l:g} L stand in it by the books; it cannot be smaller than that."
    for name in ("mean_per_day_l", "sd_per_day_l"):
        if not 0 <= getattr(report, name) < MOST_LITRES:
            wrong[name] = "Give litres a day, zero or more."
    if not 0 <= report.collector_lead_days <= 365:
        wrong["collector_lead_days"] = "Give the days from call to visit, 0 to 365."
    if len(report.place.strip()) > 60:
        wrong["place"] = "At most 60 characters."
    if len(report.waste_code.strip()) > 16:
        wrong["waste_code"] = "At most 16 characters, e.g. 13 02 05*."
    return wrong


def _litres_above_zero(litres: float, field: str) -> None:
    if not 0 < litres < MOST_LITRES:
        sentence = f"{litres:g} L cannot be booked; give litres above zero."
        raise InputError(sentence, fields={field: sentence})
