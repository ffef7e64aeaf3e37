"""Litres promised to a unit's next job, and freed again."""

from dataclasses import dataclass

from django.db import transaction

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import Depot, Fitting, Person, Product, Reservation, Unit
from shop.selectors.exchange import plan_for_unit
from shop.selectors.fluid_checks import product_to_reserve_l
from shop.selectors.may_go_in import why_not, why_rinse
from shop.selectors.shelf import shelves_of
from shop.services.changes import change_note, changes_write
from shop.services.orders import order_list_propose


@dataclass(frozen=True, slots=True)
class Reserved:
    """A reservation as it stands now.

    Attributes:
        short_l: litres of it that are not free on the shelf and have to be ordered.
        caution: why the unit has to be rinsed first; empty when it has not.
        freed: reservations of other fluids for the unit that were freed with it.
    """

    reservation: Reservation
    short_l: float
    caution: str
    freed: tuple[Reservation, ...] = ()


def reservation_make(person: Person, unit: Unit, litres: float | None = None) -> Reserved:
    """Reserve the house fluid of a unit's model for its next job; an open one takes the new litres.

    A reservation of another fluid for the unit is freed. Litres that are not on the shelf are reserved too, so that
    the ordering list asks for them.

    litres: None is what the unit's plan asks to have.

    Raises:
        NotAllowed: the person's role does not reach so far.
        InputError: no product is chosen, no litres are known, or they cannot be.
        ConflictError: the product must not go into the unit.
    """
    _may_reserve(person)
    fitting = (
        Fitting.objects.select_related("vehicle__depot__stores_at")
        .filter(unit=unit, removed_on__isnull=True)
        .first()
    )
    product = unit.unit_model.product
    if fitting is None or product is None:
        sentence = (
            f"{unit.code} is in no vehicle."
            if fitting is None
            else f"No product is chosen for {unit.unit_model.code}; choose one on its unit model first."
        )
        raise InputError(sentence, fields={"unit": sentence})
    reason = why_not(product, unit.unit_model)
    if reason:
        raise ConflictError(reason, fields={"unit": reason})
    wanted_l = _litres(unit, litres)
    depot = fitting.vehicle.depot
    shelf = depot.stores_at or depot
    with transaction.atomic():
        Depot.objects.select_for_update().get(pk=shelf.pk)
        freed = _free_others(person, unit, product)
        own = _put(person, shelf, unit, product, wanted_l)
        _list_again(shelf)
        free_l = _free_l(shelf, unit, product)
    return Reserved(own, max(0.0, wanted_l - free_l), why_rinse(unit), freed)


def reservation_free(person: Person, reservation: Reservation, note: str) -> None:
    """Free reserved litres for others; why is recorded. Raises NotAllowed, InputError, ConflictError."""
    _may_reserve(person)
    if not note.strip():
        sentence = "Say why the litres are free again, e.g. “turned away at the stop gate”."
        raise InputError(sentence, fields={"note": sentence})
    with transaction.atomic():
        Depot.objects.select_for_update().get(pk=reservation.depot_id)
        held = Reservation.objects.select_for_update().select_related("product", "unit", "depot").get(
            pk=reservation.pk
        )  # fmt: skip
        if not held.is_open:
            raise ConflictError(f"The {held.product.code} for {held.unit.code} is not reserved any more.")
        _close(person, [held], note.strip())
        _list_again(held.depot)


def _litres(unit: Unit, litres: float | None) -> float:
    if litres is None:
        plan = plan_for_unit(unit)
        wanted_l = product_to_reserve_l(plan)
        if wanted_l is None:
            sentence = f"Type the litres: the plan cannot say them. {plan.cannot_say}".strip()
            raise InputError(sentence, fields={"litres": sentence})
        return wanted_l
    if not 0.0 < litres < 1e5:
        sentence = f"{litres:g} L cannot be reserved; give litres above zero."
        raise InputError(sentence, fields={"litres": sentence})
    return litres


def _put(person: Person, shelf: Depot, unit: Unit, product: Product, litres: float) -> Reservation:
    own = Reservation.objects.filter(unit=unit, product=product, is_open=True).first()
    before = None if own is None else {"litres": own.litres}
    if own is None:
        own = Reservation(depot=shelf, unit=unit, product=product, made_on=clock.today(shelf.time_zone))
    own.litres = litres
    own.save()
    if before != {"litres": litres}:
        changes_write([change_note(own, _key(own), before=before, after={"litres": litres})], person=person)
    return own


def _free_others(person: Person, unit: Unit, product: Product) -> tuple[Reservation, ...]:
    others = Reservation.objects.filter(unit=unit, is_open=True).exclude(product=product)
    freed = tuple(others.select_related("product", "unit"))
    _close(person, freed, f"{product.code} is reserved instead")
    return freed


def _close(person: Person, rows: tuple[Reservation, ...] | list[Reservation], note: str) -> None:
    Reservation.objects.filter(pk__in=[own.pk for own in rows]).update(is_open=False)
    changes_write(
        [
            change_note(own, _key(own), before={"is_open": True}, after={"is_open": False, "why": note})
            for own in rows
        ],
        person=person,
    )


def _key(own: Reservation) -> str:
    return f"{own.unit.code} {own.product.code}"


def _free_l(shelf: Depot, unit: Unit, product: Product) -> float:
    """Return what is free for a unit: the shelf less what is promised to others."""
    own = shelves_of(shelf.pk, clock.today(shelf.time_zone), {}, {unit.pk}).get(product.pk)
    return own.litres.free_l if own is not None else 0.0


def _list_again(shelf: Depot) -> None:
    order_list_propose(shelf, clock.today(shelf.time_zone), clock.local_time(shelf.time_zone))


def _may_reserve(person: Person) -> None:
    if not (person.can("plan") or person.can("close")):
        raise NotAllowed("Your role may not reserve fluid; ask Stores or the foreman.")
