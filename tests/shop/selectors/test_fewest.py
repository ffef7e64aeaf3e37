"""Fewest fluids on a few records: one-way chains, strengths, bans, rinses, what is kept and what is unknown."""

import datetime

import pytest

from shop import clock
from shop.errors import InputError
from shop.models import (
    Approval,
    DueLine,
    LastService,
    MixingBan,
    Product,
    Requirement,
    Specification,
    UnitModel,
)
from shop.selectors.change_over import change_plan, replacements_for
from shop.selectors.fewest import FewestAsked, fewest_of
from shop.selectors.fluid_fit import FitBook
from shop.selectors.pack_choice import PacksAsked, packs_compared
from tests.factories import (
    DepotFactory,
    FittingFactory,
    IntervalRuleFactory,
    PackFactory,
    PersonFactory,
    ProductFactory,
    StockItemFactory,
    UnitFactory,
    VehicleFactory,
)

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 3, 2, 4, 30, tzinfo=datetime.UTC)


@pytest.fixture(autouse=True)
def _held_clock():
    clock.pin(NOW)
    yield
    clock.pin(None)


class House:
    """One depot whose two unit models are filled with A and B."""

    def __init__(self):
        self.depot = DepotFactory(code="UY")
        self.person = PersonFactory(role="foreman", depots=[self.depot])
        self.old, self.new = (
            Specification.objects.create(code=code, kind="maker") for code in ("S-1", "S-2")
        )
        self.old.replaced_by = self.new
        self.old.save()
        self.products = {code: ProductFactory(code=code, name=f"Fluid {code}") for code in "ABC"}
        self.models = {}
        for number, (code, product, asked) in enumerate((("M1", "A", self.old), ("M2", "B", self.new))):
            model = UnitModel.objects.create(
                code=code,
                name=code,
                kind="axle",
                methods=["drain-and-refill"],
                product=self.products[product],
            )
            for figure, value in (("total_fill_l", 2.0), ("quick_drain_l", 2.0)):
                model.figures.create(figure=figure, value=value, measured_in="L", source="maker")
            Requirement.objects.create(unit_model=model, specification=asked)
            unit = UnitFactory(code=f"K{number}-{code}", unit_model=model)
            vehicle = VehicleFactory(number=f"K{number}", depot=self.depot)
            FittingFactory(unit=unit, vehicle=vehicle, position="axle")
            rule = IntervalRuleFactory(unit_model=model)
            DueLine.objects.create(
                unit=unit, rule=rule, vehicle=vehicle, state="not yet", due_on=datetime.date(2026, 6, 1 + number),
                cycle_days=365.25, worked_out_for=NOW.date(),
            )  # fmt: skip
            self.models[code] = model

    def approve(self, product, specification, strength="approved", **more):
        return Approval.objects.create(
            product=self.products[product], specification=specification, strength=strength, **more
        )

    def fewest(self, **asked):
        return fewest_of(self.person, FewestAsked(**asked))


@pytest.fixture
def house():
    return House()


def test_the_newer_stands_in_for_the_older_and_never_the_other_way(house):
    house.approve("A", house.old)
    house.approve("B", house.new, approved_on=datetime.date(2025, 5, 6))
    found = house.fewest()
    assert (found.today, found.after) == (("A", "B"), ("B",))
    (move,) = found.dropped[0].moves
    assert move.basis == ("approved for S-2, which replaces S-1, dated 2025-05-06",)
    assert FitBook().fit(house.products["A"].pk, house.models["M2"].pk) is None


@pytest.mark.parametrize(
    ("strength", "approved_by", "weakest", "may_go_in"),
    [
        ("approved", "", "approved", True),
        ("house", "Ines", "approved", False),
        ("house", "Ines", "house", True),
        ("claimed", "", "house", False),
        ("claimed", "Ines", "house", True),
        ("claimed", "", "claimed", True),
    ],
)
def test_the_person_says_how_weak_an_approval_may_be(house, strength, approved_by, weakest, may_go_in):
    house.approve("A", house.old)
    house.approve("B", house.new)
    for specification in (house.old, house.new):
        house.approve("C", specification, strength, approved_by=approved_by)
    found = house.fewest(weakest=weakest, never=("A", "B"))
    assert (found.after == ("C",)) == may_go_in
    assert [own.unit_model for own in found.none_fits] == ([] if may_go_in else ["M1", "M2"])


def test_a_weaker_approval_is_named_as_lost(house):
    house.approve("A", house.old)
    house.approve("B", house.new, "house", approved_by="Ines")
    found = house.fewest()
    assert found.after == ("B",)
    assert found.dropped[0].moves[0].is_weaker
    assert found.dropped[0].lost.startswith("The approval is weaker for M1.")


def test_units_that_change_although_their_product_stays_are_named(house):
    house.approve("A", house.old, "house", approved_by="Ines")
    house.approve("B", house.new)
    found = house.fewest(weakest="approved", keep=("A",))
    assert (found.after, found.dropped) == (("A", "B"), ())
    assert [(move.unit_model, move.old, move.new) for move in found.moved] == [("M1", "A", "B")]


def test_a_shelf_without_a_unit_counts_until_it_is_left_out(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    StockItemFactory(depot=house.depot, product=house.products["C"], label="C1", on_shelf_l=7)
    found = house.fewest()
    assert (found.today, found.after) == (("A", "B", "C"), ("B", "C"))
    assert [(own.code, own.litres, own.is_kept) for own in found.held] == [("C", 7, True)]
    without = house.fewest(never=("C",))
    assert without.after == ("B",)
    assert [own.is_kept for own in without.held] == [False]


def test_what_must_not_meet_needs_a_rinse_that_was_accepted(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    MixingBan.objects.create(product=house.products["B"], other_product=house.products["A"], reason="gels")
    assert house.fewest().after == ("A", "B")
    rinsed = house.fewest(is_rinse_accepted=True)
    assert rinsed.after == ("B",)
    assert rinsed.dropped[0].moves[0].rinse == "gels"
    plan = change_plan(house.person, house.products["A"], house.products["B"])
    assert plan.units[0].rinse == "gels"
    assert any(step.what.startswith("Rinse fill first") for step in plan.steps)


def test_what_is_in_the_unit_counts_not_what_its_model_is_filled_with(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    MixingBan.objects.create(product=house.products["B"], other_product=house.products["C"], reason="gels")
    assert (house.fewest().after, house.fewest().units_assumed) == (("B",), 2)
    LastService.objects.create(
        unit=house.models["M1"].units.get(), done_on=datetime.date(2025, 1, 1), product=house.products["C"]
    )
    assert (house.fewest().after, house.fewest().units_assumed) == (("A", "B"), 1)


def test_a_ban_in_the_unit_is_never_rinsed_away(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    MixingBan.objects.create(
        product=house.products["B"], unit_model=house.models["M1"], reason="yellow metal"
    )
    assert house.fewest(is_rinse_accepted=True).after == ("A", "B")
    plan = change_plan(house.person, house.products["A"], house.products["B"])
    assert (plan.stays, plan.units[0].why_not) == (("M1",), "yellow metal")


def test_a_unit_model_that_asks_for_nothing_keeps_what_it_has(house):
    house.approve("B", house.new)
    Requirement.objects.filter(unit_model=house.models["M1"]).delete()
    found = house.fewest()
    assert found.after == ("A", "B")
    assert found.none_fits[0].reason.startswith("No specification is on record for M1")
    plan = change_plan(house.person, house.products["A"], house.products["B"])
    assert plan.units[0].why_not == "no specification is on record for M1"


def test_leaving_units_without_any_is_said_not_hidden(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    found = house.fewest(never=("B",))
    assert found.none_fits[0].unit_model == "M2"
    assert found.sentence == "2 products today; with 1, 1 unit would have none that may go in."


def test_a_product_without_a_price_says_so(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    PackFactory(product=house.products["A"], size_l=20, price="100.00")
    saving = house.fewest().dropped[0].saving
    assert (saving.price, saving.unknown) == (0, "no price of B is on record")


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"weakest": "any"}, "weakest"),
        ({"keep": ("none",)}, "keep"),
        ({"never": ("none",)}, "never"),
        ({"keep": ("A",), "never": ("A",)}, "never"),
        ({"keeping_share": 2.0}, "keeping_share"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_its_field(house, asked, field):
    with pytest.raises(InputError) as refused:
        house.fewest(**asked)
    assert field in refused.value.fields


def test_a_person_without_a_depot_is_told(house):
    with pytest.raises(InputError, match="belong to no depot"):
        fewest_of(PersonFactory(role="foreman", depots=[]), FewestAsked())


def test_another_depots_units_are_not_looked_at(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    elsewhere = PersonFactory(role="foreman", depots=[DepotFactory(code="ZY")])
    found = fewest_of(elsewhere, FewestAsked())
    assert (found.units, found.today, found.after) == (0, (), ())
    assert change_plan(elsewhere, house.products["A"], house.products["B"]).units == ()


def test_replacements_are_those_that_fit_and_none_replaces_itself(house):
    house.approve("A", house.old)
    house.approve("B", house.new)
    assert [own.code for own in replacements_for(house.person, house.products["A"])] == ["B"]
    with pytest.raises(InputError, match="cannot be replaced by itself"):
        change_plan(house.person, house.products["A"], house.products["A"])
    with pytest.raises(InputError, match="cannot stay in hoses"):
        change_plan(house.person, house.products["A"], house.products["B"], hoses_l=500)


def test_a_plan_says_what_still_stands_in_its_way(house):
    house.approve("A", house.old)
    house.approve("C", house.old, "claimed")
    plan = change_plan(house.person, house.products["A"], house.products["C"])
    told = " ".join(step.what for step in plan.steps)
    assert "C is only claimed suitable for M1: a named person has to approve it first." in told
    assert "No pack of C with a price is on record" in told
    assert plan.first_new_on == datetime.date(2026, 6, 1)
    PackFactory(product=house.products["C"], size_l=20, price="100.00")
    ordered = change_plan(house.person, house.products["A"], house.products["C"])
    assert ordered.order_by < ordered.first_new_on
    assert f"Order C from {ordered.supplier}" in " ".join(step.what for step in ordered.steps)


def test_a_vehicle_that_leaves_before_its_job_takes_neither(house):
    house.approve("A", house.old)
    house.approve("C", house.old)
    vehicle = house.models["M1"].units.get().fittings.get().vehicle
    vehicle.leaves_on = datetime.date(2026, 5, 31)
    vehicle.save()
    (own,) = change_plan(house.person, house.products["A"], house.products["C"]).units
    assert (own.next_on, own.takes) == (None, "")


def test_the_stock_of_the_old_is_used_up_on_real_shelves(house):
    """2 L a year from June on, 5 L opened in May 2025 with 12 months: none of it is poured; 3 L sealed do one job."""
    house.approve("A", house.old)
    house.approve("C", house.old)
    old = house.products["A"]
    old.opened_life_months = 12
    old.save()
    for label, litres, opened in (("opened", 5, datetime.date(2025, 5, 1)), ("sealed", 3, None)):
        StockItemFactory(
            depot=house.depot, product=old, label=label, pack_size_l=5, on_shelf_l=litres, opened_on=opened,
            use_by=datetime.date(2030, 1, 1),
        )  # fmt: skip
    plan = change_plan(house.person, old, house.products["C"])
    assert (plan.units[0].takes, plan.units[0].packs) == ("A", "sealed")
    assert [(own.label, own.last_day) for own in plan.left] == [
        ("opened", datetime.date(2026, 5, 1)), ("sealed", datetime.date(2030, 1, 1)),
    ]  # fmt: skip
    assert plan.shelves[0].usable_l == 8
    assert plan.shelves[0].last_old_on == datetime.date(2026, 6, 1)
    assert plan.first_new_on == datetime.date(2027, 6, 1)


def test_litres_of_a_year_and_their_absence(house):
    """A drain of 2 L once a year and what stays in jug and packs; without a due line nobody can say."""
    PackFactory(product=house.products["A"], size_l=5, price="40.00", printed="5 L")
    shown = packs_compared(house.person, house.products["A"], PacksAsked())
    assert shown.litres_per_year == pytest.approx(2.0, abs=0.6)
    DueLine.objects.all().delete()
    assert "type the litres" in packs_compared(house.person, house.products["A"], PacksAsked()).cannot_say
    typed = packs_compared(house.person, house.products["A"], PacksAsked(litres_per_year=40))
    assert (typed.litres_from, typed.rows[0].is_best) == ("typed", True)
    assert (
        "has a price"
        in packs_compared(house.person, house.products["C"], PacksAsked(litres_per_year=9)).cannot_say
    )


def test_half_a_tank_is_refused(house):
    for half in ({"tank_l": 1500.0}, {"tank_price_per_l": 3.0}, {"labour_per_h": -1.0}):
        with pytest.raises(InputError):
            packs_compared(house.person, Product.objects.get(code="A"), PacksAsked(**half))
