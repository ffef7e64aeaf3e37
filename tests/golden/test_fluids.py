"""The demo's fluids: 17 products become 15, and what the change rests on. The depot and its figures are invented."""

import datetime

import pytest

from shop.models import Depot, Person, Product, UnitModel
from shop.selectors.change_over import change_plan
from shop.selectors.fewest import FewestAsked, fewest_of
from shop.selectors.fluid_fit import FitBook
from shop.selectors.may_go_in import why_not
from shop.selectors.pack_choice import PacksAsked, packs_compared

pytestmark = pytest.mark.django_db


def product(code: str) -> Product:
    return Product.objects.get(code=code)


def test_seventeen_products_become_fifteen(foreman: Person) -> None:
    found = fewest_of(foreman, FewestAsked())
    assert (len(found.today), len(found.after), found.is_proved) == (17, 15, True)
    assert found.today == tuple(f"F{number:02}" for number in range(1, 18))
    assert {own.code: own.heirs for own in found.dropped} == {
        "F04": ("F18",), "F05": ("F18",), "F12": ("F13",),
    }  # fmt: skip
    assert found.added == ("F18",)
    assert {move.unit_model for own in found.dropped for move in own.moves} == {"HA5", "HA7", "BA5", "CL-L"}
    bus = next(own for own in found.dropped if own.code == "F05").moves[0]
    assert bus.basis == ("approved for BA-S4, dated 2025-09-08",)
    assert (len(bus.units), bus.is_weaker, bus.rinse) == (4, False, "")
    assert [own.code for own in found.held] == ["F02"]
    assert (found.none_fits, found.units, found.units_unknown) == ((), 192, 0)
    assert found.sentence.startswith("17 products today, 15 would do; that saves about ")


def test_each_saving_is_the_sum_beside_it(foreman: Person) -> None:
    """F05, by hand: buses drive 190, 200, 185, 180 km a day, a job takes 18.6 L each 90 000 km or 24 months."""
    found = fewest_of(foreman, FewestAsked())
    own = next(own for own in found.dropped if own.code == "F05")
    litres = sum(18.6 * 365.25 / min(90_000 / rate, 730.5) for rate in (190, 200, 185, 180))
    assert own.litres_per_year == pytest.approx(litres, rel=0.02)
    assert own.saving.price == pytest.approx(own.litres_per_year * (205 / 20 - 188 / 20))
    assert own.saving.stock == pytest.approx(40 * 205 / 20 * 0.10)
    for one in found.dropped:
        parts = one.saving.price + one.saving.stock + one.saving.opened
        assert one.saving.total == pytest.approx(parts)
    assert found.saving_per_year == pytest.approx(sum(one.saving.total for one in found.dropped))
    coolant = next(own for own in found.dropped if own.code == "F12")
    assert coolant.saving.opened == pytest.approx((20 - coolant.litres_per_year) * 62 / 20)


@pytest.mark.parametrize(
    ("asked", "after"),
    [
        (FewestAsked(never=("F18",)), 16),
        (FewestAsked(never=("F02",)), 14),
        (FewestAsked(keep=("F12",)), 16),
        (FewestAsked(keep=("F04",)), 16),
        (FewestAsked(weakest="claimed", is_rinse_accepted=True), 15),
    ],
)
def test_what_is_kept_or_left_out_moves_the_answer(foreman: Person, asked: FewestAsked, after: int) -> None:
    found = fewest_of(foreman, asked)
    assert len(found.after) == after
    assert set(asked.keep) <= set(found.after)
    assert not set(asked.never) & set(found.after)


def test_without_the_house_approval_the_limited_slip_axles_have_none(foreman: Person) -> None:
    found = fewest_of(foreman, FewestAsked(weakest="approved"))
    assert [(own.unit_model, len(own.units), own.has_now) for own in found.none_fits] == [("AX-LS", 4, "F07")]
    assert "F07" in found.after


def test_the_book_of_fits_judges_as_the_gate_before_a_job_does(foreman: Person) -> None:
    book = FitBook()
    judged = 0
    for model in UnitModel.objects.prefetch_related("requirements"):
        for own in Product.objects.all():
            fit = book.fit(own.pk, model.pk)
            may_go_in = fit is not None and fit.is_as_strong_as("house")
            assert may_go_in == (why_not(own, model) == ""), (own.code, model.code)
            judged += may_go_in
    assert judged > UnitModel.objects.count()


def test_the_drum_of_the_heavy_fluid_is_used_up_before_its_opened_life_ends(foreman: Person) -> None:
    """61 L opened on 10 April 2025, twelve months: good until 10 April 2026; each box takes 24.5 L."""
    plan = change_plan(foreman, product("F04"), product("F18"))
    old = [own for own in plan.units if own.takes == "F04"]
    assert [own.unit for own in old] == ["K22-HA7", "K36-HA5"]
    used = sum(own.litres for own in old)
    assert used + sum(own.litres for own in plan.left) == pytest.approx(61)
    assert plan.left[0].last_day == datetime.date(2026, 4, 10)
    assert plan.order_by < plan.first_new_on
    assert [step.day for step in plan.steps] == sorted(step.day for step in plan.steps)
    assert "HA5: approved for HA-HD2, dated 2025-09-08" in plan.basis


def test_a_job_in_its_no_touch_season_waits_for_its_end(foreman: Person) -> None:
    plan = change_plan(foreman, product("F04"), product("F18"))
    days = {own.unit: own.next_on for own in plan.units}
    assert days["K33-HA7"] == datetime.date(2026, 4, 1)
    assert days["K22-HA7"] == datetime.date(2026, 3, 5)


def test_two_jobs_with_the_new_fluid_share_a_purge_where_their_windows_meet(foreman: Person) -> None:
    """The upper yard purges 0.2 L a change: K24 may be done from 20 June, K25 is planned for 16 July."""
    upper = next(
        own for own in change_plan(foreman, product("F04"), product("F18")).purges if own.depot == "UY"
    )
    assert (upper.purge_l, upper.jobs, upper.days_planned, len(upper.rows)) == (0.2, 5, 5, 4)
    assert (upper.per_unit_l, upper.saved_l) == (pytest.approx(1.0), pytest.approx(0.2))
    row = next(row for row in upper.rows if len(row.jobs) > 1)
    assert row.last_day == datetime.date(2026, 7, 16)
    assert [(job.unit, job.comes_forward) for job in row.jobs] == [("K25-HA7", False), ("K24-HA7", True)]


def test_a_yard_that_has_not_typed_its_purge_cannot_say_the_litres(foreman: Person) -> None:
    Depot.objects.filter(code="UY").update(purge_l=None)
    upper = next(
        own for own in change_plan(foreman, product("F04"), product("F18")).purges if own.depot == "UY"
    )
    assert (upper.purge_l, upper.per_unit_l, upper.saved_l) == (None, None, None)
    assert upper.sentence.endswith(
        "4 with jobs in a row; litres cannot be said: type the yard's purge a change, purge_l in depots.csv."
    )


def test_a_single_job_is_not_said_to_miss_another(foreman: Person) -> None:
    plan = change_plan(foreman, product("F12"), product("F13"))
    lower = next(own for own in plan.purges if own.depot == "LY")
    assert lower.jobs == 1
    assert lower.sentence.endswith("a single job has no other to go in a row with.")


def test_the_batch_set_aside_is_not_poured(foreman: Person) -> None:
    plan = change_plan(foreman, product("F05"), product("F18"))
    assert [(own.unit, own.takes) for own in plan.units][:2] == [("K27-BA5", "F05"), ("K30-BA5", "F18")]
    aside = next(own for own in plan.left if own.label == "Q1 20 L set aside")
    assert (aside.litres, aside.reason, aside.act_on) == (20, "set aside in quarantine", plan.as_of)


def test_a_fluid_banned_in_every_unit_changes_nothing(foreman: Person) -> None:
    plan = change_plan(foreman, product("F01"), product("F02"), hoses_l=1.0)
    assert plan.sentence == "F02 may go into none of the units filled with F01: TB6, TC2."
    assert (plan.steps, plan.changing, plan.rinses) == ((), (), ())
    assert {own.takes for own in plan.units} <= {"F01", ""}


def test_jug_or_drum_at_the_depots_own_litres(foreman: Person) -> None:
    shown = packs_compared(foreman, product("F01"), PacksAsked())
    sizes = {row.size_l: row for row in shown.rows}
    assert round(sizes[5].cost_per_l, 2) == 10.29
    assert round(sizes[208].cost_per_l, 2) == 7.05
    assert sizes[208].least_l_per_year == 208
    assert not sizes[208].is_emptied
    assert [row.size_l for row in shown.rows if row.is_best] == [20]
    engine = packs_compared(foreman, product("F10"), PacksAsked(tank_l=1500, tank_price_per_l=2.4))
    best = next(row for row in engine.rows if row.is_best)
    assert best.cost == min(row.cost for row in engine.rows if row.is_emptied)
