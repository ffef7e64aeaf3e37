"""Fluid promised to a unit's next job: only what may go in, freed by name, on the ordering list at once."""

import pytest

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import ChangeRecord, LastService, MixingBan, Person, Product, ProposedLine, Reservation, Unit
from shop.selectors.may_go_in import FluidRules, why_rinse
from shop.services.reservations import reservation_free, reservation_make
from tests.factories import DepotFactory, FittingFactory, PersonFactory, ProductFactory, StockItemFactory


@pytest.fixture
def unit(db: None) -> Unit:
    unit = FittingFactory(vehicle__depot=DepotFactory(code="UY")).unit
    unit.unit_model.product = ProductFactory(code="F03")
    unit.unit_model.save()
    return unit


@pytest.fixture
def petra(unit: Unit) -> Person:
    return PersonFactory(role=Person.Role.STORES, depots=[unit.fittings.get().vehicle.depot])


@pytest.fixture
def wrong(unit: Unit) -> Product:
    """A fluid that must go neither into this unit nor on top of its own."""
    wrong = ProductFactory(code="F01")
    MixingBan.objects.create(product=wrong, unit_model=unit.unit_model, reason="the variator slips on it")
    MixingBan.objects.create(product=unit.unit_model.product, other_product=wrong, reason="other friction")
    return wrong


def test_what_is_not_on_the_shelf_is_reserved_and_named(unit: Unit, petra: Person) -> None:
    depot = unit.fittings.get().vehicle.depot
    StockItemFactory(depot=depot, product=unit.unit_model.product, on_shelf_l=6.0)
    made = reservation_make(petra, unit, 10.0)
    assert (made.reservation.litres, made.short_l, made.caution) == (10.0, 4.0, "")
    line = ProposedLine.objects.get(product=unit.unit_model.product)
    assert (line.facts["shelf"]["reserved_l"], line.free_l) == (10.0, -4.0)


def test_litres_reserved_twice_are_one_reservation(unit: Unit, petra: Person) -> None:
    reservation_make(petra, unit, 10.0)
    assert reservation_make(petra, unit, 8.0).reservation.litres == 8.0
    assert Reservation.objects.get().litres == 8.0
    assert [(note.action, note.after["litres"]) for note in ChangeRecord.objects.order_by("pk")] == [
        ("added", 10.0),
        ("changed", 8.0),
    ]


def test_a_fluid_that_must_not_go_in_is_not_reserved(unit: Unit, petra: Person, wrong: Product) -> None:
    unit.unit_model.product = wrong
    unit.unit_model.save()
    with pytest.raises(ConflictError, match=r"must not go into .* the variator slips"):
        reservation_make(petra, unit, 4.0)
    assert not Reservation.objects.exists()


def test_the_right_fluid_frees_the_wrong_one(unit: Unit, petra: Person, wrong: Product) -> None:
    depot = unit.fittings.get().vehicle.depot
    old = Reservation.objects.create(
        depot=depot, unit=unit, product=wrong, litres=3.9, made_on=clock.today(depot.time_zone)
    )
    made = reservation_make(petra, unit, 3.9)
    old.refresh_from_db()
    assert (old.is_open, [freed.pk for freed in made.freed]) == (False, [old.pk])
    assert "F03 is reserved instead" in [note.after.get("why") for note in ChangeRecord.objects.all()]


def test_freed_litres_say_why_and_are_freed_once(unit: Unit, petra: Person) -> None:
    own = reservation_make(petra, unit, 5.0).reservation
    with pytest.raises(InputError, match="Say why"):
        reservation_free(petra, own, " ")
    reservation_free(petra, own, "turned away at the stop gate")
    assert not Reservation.objects.filter(is_open=True).exists()
    with pytest.raises(ConflictError, match="not reserved any more"):
        reservation_free(petra, own, "again")


@pytest.mark.parametrize("litres", [0.0, -1.0, float("nan"), float("inf")])
def test_litres_that_cannot_be_are_refused(unit: Unit, petra: Person, litres: float) -> None:
    with pytest.raises(InputError, match="cannot be reserved"):
        reservation_make(petra, unit, litres)


def test_a_unit_without_figures_asks_for_the_litres(unit: Unit, petra: Person) -> None:
    with pytest.raises(InputError, match="Type the litres"):
        reservation_make(petra, unit)


def test_an_apprentice_reserves_nothing(unit: Unit) -> None:
    with pytest.raises(NotAllowed):
        reservation_make(PersonFactory(role=Person.Role.APPRENTICE), unit, 1.0)


def test_a_fluid_met_in_the_unit_asks_for_a_rinse(unit: Unit, petra: Person, wrong: Product) -> None:
    """The ban between two products counts from either side; a held fluid banned for the model does too."""
    assert why_rinse(unit) == ""
    LastService.objects.create(unit=unit, product=wrong)
    assert "F03 must not meet F01, which is in it: other friction." in why_rinse(unit)
    assert "Drain, rinse and refill" in reservation_make(petra, unit, 5.0).caution
    MixingBan.objects.filter(unit_model=None).delete()
    assert why_rinse(unit).startswith(f"F01 is in it and must not go into {unit.unit_model.code}")
    assert FluidRules.read().why_rinse(wrong, unit.unit_model, wrong) == ""
