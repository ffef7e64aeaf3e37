"""The collector's visits: called for, done with a paper number, or cancelled; levels follow by movements."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db import IntegrityError, transaction

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import CollectionLine, Depot, Person, Supplier, WasteCollection, WasteMovement, WasteTank
from shop.planning.demand import DUST_L
from shop.services.changes import change_note, changes_write
from shop.services.wastes import MOST_LITRES, Pour, waste_move

NO_LIQUID = ("oily filters", "wipes")
LEAST_KG_PER_L, MOST_KG_PER_L = 0.7, 1.3
"""A fluid lighter or heavier than this was weighed or typed wrongly. Common practice, no source."""

State = WasteCollection.State


@dataclass(frozen=True, slots=True)
class Taken:
    """What the collector took out of one container; weighed_kg: None means not weighed."""

    litres: float
    weighed_kg: float | None = None


@dataclass(frozen=True, slots=True)
class HandOver:
    """The paper of a visit that was made."""

    paper_number: str
    collected_on: datetime.date
    receipt: str = ""


def collection_call(
    person: Person,
    depot: Depot,
    collector: Supplier,
    wanted: Sequence[tuple[WasteTank, float]],
    expected_on: datetime.date | None = None,
    note: str = "",
) -> WasteCollection:
    """Note that a collector was called for some containers of a depot.

    wanted: containers and litres expected from each. note: what was agreed when they are below his minimum. Raises
    NotAllowed; InputError for nothing to collect, another depot's container, litres below the minimum without a note;
    ConflictError when one of them is called for already.
    """
    if not person.can("plan"):
        raise NotAllowed("Your role may not call the collector; ask Stores or the foreman.")
    today = clock.today(depot.time_zone)
    _check_call(depot, collector, wanted, note)
    if expected_on is not None and expected_on < today:
        sentence = f"{expected_on} has passed; give the day the collector is expected."
        raise InputError(sentence, fields={"expected_on": sentence})
    taken = [tank for tank, _ in wanted if CollectionLine.objects.filter(tank=tank, is_open=True).exists()]
    if taken:
        raise _called_already(taken[0].stream)
    with transaction.atomic():
        visit = WasteCollection.objects.create(
            depot=depot, collector=collector, called_on=today, called_by=person, expected_on=expected_on,
            note=note.strip()[:200],
        )  # fmt: skip
        lines = [
            CollectionLine(
                collection=visit, tank=tank, stream=tank.stream, waste_code=tank.waste_code, expected_l=litres
            )
            for tank, litres in wanted
        ]
        try:
            with transaction.atomic():
                CollectionLine.objects.bulk_create(lines)
        except IntegrityError as error:
            raise _called_already(", ".join(tank.stream for tank, _ in wanted)) from error
        after = {"state": visit.state, **{f"{line.stream} expected_l": line.expected_l for line in lines}}
        changes_write([change_note(visit, _key(visit), after=after)], person=person)
    return visit


def collection_done(
    person: Person, visit: WasteCollection, taken: Mapping[int, Taken], paper: HandOver
) -> WasteCollection:
    """Note what a collector took; each container's level goes down by a movement, all of them or none.

    taken: key of each line → litres, zero where nothing was taken. Raises NotAllowed, InputError, ConflictError when
    the visit is no longer open or a container does not hold the litres by the books.
    """
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not book a collection; ask Stores or the foreman.")
    with transaction.atomic():
        held = _open_one(visit)
        lines = list(held.lines.select_related("tank"))
        _check_taken(held, lines, taken, paper)
        for line in lines:
            own = taken[line.pk]
            line.collected_l, line.weighed_kg, line.is_open = own.litres, own.weighed_kg, False
            if own.litres > DUST_L:
                waste_move(
                    line.tank,
                    -own.litres,
                    WasteMovement.Reason.COLLECTED,
                    Pour(person, f"paper {paper.paper_number.strip()}", collection=held),
                )
        CollectionLine.objects.bulk_update(lines, ["collected_l", "weighed_kg", "is_open"])
        held.state, held.collected_on, held.handed_over_by = State.DONE, paper.collected_on, person
        held.paper_number, held.receipt = paper.paper_number.strip()[:60], paper.receipt.strip()[:200]
        held.save()
        after = {"state": held.state, "paper_number": held.paper_number} | {
            f"{line.stream} collected_l": line.collected_l for line in lines
        }
        changes_write(
            [change_note(held, _key(held), before={"state": State.CALLED}, after=after)], person=person
        )
    return held


def collection_cancel(person: Person, visit: WasteCollection, note: str) -> WasteCollection:
    """Note that a visit will not be made, and why; the containers may be called for again."""
    if not person.can("plan"):
        raise NotAllowed("Your role may not cancel a collection; ask Stores or the foreman.")
    if not note.strip():
        sentence = "Say why, e.g. “collector's lorry broke down, called again”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        held = _open_one(visit)
        held.lines.update(is_open=False)
        held.state, held.note = State.CANCELLED, note.strip()[:200]
        held.save(update_fields=["state", "note"])
        after = {"state": held.state, "note": held.note}
        changes_write(
            [change_note(held, _key(held), before={"state": State.CALLED}, after=after)], person=person
        )
    return held


def _check_call(
    depot: Depot, collector: Supplier, wanted: Sequence[tuple[WasteTank, float]], note: str
) -> None:
    if not wanted:
        sentence = "Choose at least one container and the litres expected from it."
        raise InputError(sentence, fields={"litres": sentence})
    for tank, litres in wanted:
        if tank.depot_id != depot.pk:
            raise InputError(f"The {tank.stream} container stands at another depot than {depot.code}.")
        if not 0 < litres <= tank.capacity_l:
            sentence = (
                f"{litres:g} L cannot come out of a container of {tank.capacity_l:g} L ({tank.stream})."
            )
            raise InputError(sentence, fields={"litres": sentence})
    total_l = sum(litres for _, litres in wanted)
    if collector.minimum_l is not None and total_l < collector.minimum_l - DUST_L and not note.strip():
        sentence = (
            f"{total_l:g} L are below the {collector.minimum_l:g} L {collector.name} come for. Add another stream, "
            "wait, or write in the note what was agreed."
        )
        raise InputError(sentence, fields={"note": sentence})


def _check_taken(
    visit: WasteCollection, lines: Sequence[CollectionLine], taken: Mapping[int, Taken], paper: HandOver
) -> None:
    wrong: dict[str, str] = {}
    if not paper.paper_number.strip():
        wrong["paper_number"] = "Type the number of the consignment or transfer note."
    today = clock.today(visit.depot.time_zone)
    if not visit.called_on <= paper.collected_on <= today:
        wrong["collected_on"] = f"Give a day from {visit.called_on}, when he was called, to today."
    if set(taken) != {line.pk for line in lines}:
        wrong["litres"] = "Give the litres of every container of this visit, 0 where nothing was taken."
    for line in lines:
        own = taken.get(line.pk)
        fault = own and _fault_of(line, own)
        if fault:
            wrong[f"litres_{line.pk}"] = fault
    if not wrong and not any(own.litres > DUST_L for own in taken.values()):
        wrong["litres"] = "Nothing was taken; cancel the visit and say why."
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)


def _fault_of(line: CollectionLine, own: Taken) -> str:
    if not 0 <= own.litres < MOST_LITRES:
        return f"{own.litres:g} L of {line.stream} cannot be; give litres, zero or more."
    if own.weighed_kg is None:
        return ""
    if not 0 <= own.weighed_kg < MOST_LITRES:
        return f"{own.weighed_kg:g} kg of {line.stream} cannot be; give kilograms, zero or more."
    per_litre = own.weighed_kg / own.litres if own.litres > 0 else None
    if line.stream not in NO_LIQUID and not (
        per_litre is not None and LEAST_KG_PER_L <= per_litre <= MOST_KG_PER_L
    ):
        return (
            f"{own.weighed_kg:g} kg and {own.litres:g} L of {line.stream} do not belong together; a litre weighs "
            f"{LEAST_KG_PER_L} to {MOST_KG_PER_L} kg. Read the receipt again."
        )
    return ""


def _open_one(visit: WasteCollection) -> WasteCollection:
    held = WasteCollection.objects.select_for_update(of=("self",)).select_related("depot").get(pk=visit.pk)
    if held.state != State.CALLED:
        raise ConflictError(f"This visit is {held.state} already; open the page again.")
    return held


def _called_already(stream: str) -> ConflictError:
    return ConflictError(
        f"A collector is called for already ({stream}); book or cancel that visit first.",
        code="called-already",
    )


def _key(visit: WasteCollection) -> str:
    return f"{visit.depot.code} {visit.collector.code} {visit.called_on}"
