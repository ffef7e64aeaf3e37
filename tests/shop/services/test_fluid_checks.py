"""Coolant by strength, brake fluid by boiling point: what a unit takes, what a job records, what leaves the shelf."""

import dataclasses
import datetime

import pytest

from shop.errors import InputError
from shop.models import Job, Person, Product, StockItem, Unit
from shop.selectors.exchange import plan_for_unit
from shop.selectors.fluid_checks import CoolantAsked, brake_check, coolant_sum
from shop.selectors.job_litres import shares_of_jobs
from shop.selectors.needs import needs_of
from shop.services.due import due_refresh_now
from shop.services.jobs import JobReport, job_close
from tests.shop.services.small_fleet import FLEET, load, sentences

COOLED = FLEET | {
    "specifications.csv": "specification,kind,replaced_by\nTBF-1,maker,TBF-3\nTBF-3,maker,\n"
    "ASTM D3306,open standard,\nFMVSS 116 DOT 4,open standard,\n",
    "products.csv": "product,name,family,density15_kg_m3,strength_share,waste_stream\n"
    "F01,ATF 1-A13,,,,\nF06,75W-80,,,,\n"
    "F12,Concentrate,coolant,1113,1,coolant\nF14,Brake fluid,brake fluid,,,brake fluid\n",
    "approvals.csv": "product,specification,strength\nF12,ASTM D3306,approved\nF14,FMVSS 116 DOT 4,approved\n",
    "unit_models.csv": FLEET["unit_models.csv"]
    + "CL,Cooling,cooling system,,drain-and-refill,F12,ASTM D3306\nBR,Brakes,brake system,,bleed,F14,FMVSS 116 DOT 4\n",
    "unit_card.csv": FLEET["unit_card.csv"]
    + "CL,,total_fill_l,26,L,maker\nCL,,quick_drain_l,17,L,maker\nCL,,wanted_strength_share,0.5,-,maker\n"
    + "BR,,total_fill_l,1.2,L,maker\nBR,,bleed_l,3,L,maker\n",
    "rules.csv": FLEET["rules.csv"] + "CL,fluid,2018-01-01,,,36\nBR,fluid,2018-01-01,,,24\n",
    "units.csv": FLEET["units.csv"] + "K01-CL,CL,K01,cooling\nK01-BR,BR,K01,brakes\n",
    "last_services.csv": FLEET["last_services.csv"]
    + "K01-CL,2023-03-20,20000,1\nK01-BR,2024-03-20,40000,1\n",
    "stock.csv": FLEET["stock.csv"] + "UY,F12,C1,60,60\nUY,F14,D1,5,5\n",
}
DONE = JobReport(
    method="drain-and-refill", done_on=datetime.date(2026, 3, 10), out_l=17.0, in_l=17.0,
    level_reason="between the marks", leak_checked=True, road_tested=True, done_by="Mara", meter_text="131500",
)  # fmt: skip


@pytest.fixture
def cooled(pinned_clock, db):
    report = load(COOLED)
    assert sentences(report) == []
    Person.objects.filter(username="mara").update(role="foreman")
    return Person.objects.get(username="mara")


def unit(code):
    return Unit.objects.select_related("unit_model__product").get(code=code)


def asked(*figures):
    cooling = unit("K01-CL")
    jobs = list(Job.objects.filter(unit=cooling).order_by("-done_on", "-pk"))
    return coolant_sum(plan_for_unit(cooling), jobs, CoolantAsked(*figures))


# Reference calculation: 26 L system, 17 L out, 32 % to 50 %: 10.12 + 6.88 L; half and half reaches 43.8 % only.
def test_concentrate_and_water_of_a_cooling_system(cooled):
    got = asked(0.32)
    assert (got.total_l, got.drained_l, got.wanted_share) == (26.0, 17.0, 0.5)
    assert (got.mix.concentrate_l, got.mix.water_l) == pytest.approx((10.12, 6.88), abs=0.005)
    assert got.as_wanted_share == pytest.approx(0.438, abs=5e-4)
    assert got.concentrate.low < 10.12 < got.concentrate.high
    assert (got.wanted_from, got.drained_from, got.found_from) == ("maker", "unit card", "typed")


# Handbook rule for adjusting antifreeze (from memory): litres to swap for concentrate = V (target - old) / (1 - old).
def test_too_small_a_drain_says_how_much_must_come_out(cooled):
    got = asked(0.32, 0.5, 5.0)
    assert got.mix.concentrate_l is None
    assert got.mix.least_drain_l == pytest.approx(26.0 * 0.18 / 0.68)
    assert got.concentrate is None


def test_nobody_can_say_without_a_strength(cooled):
    assert "measure it before draining" in asked().cannot_say
    assert asked(0.32, 0.5, 40.0).cannot_say.startswith("40 L drained is outside")
    assert coolant_sum(plan_for_unit(unit("K01-TB6")), []) is None


def test_a_ready_mix_is_weaker_so_more_must_come_out(cooled):
    Product.objects.filter(code="F12").update(strength_share=0.5)
    got = asked(0.32)
    # Only a whole fill of half and half is half and half.
    assert got.mix.least_drain_l == pytest.approx(26.0)


# Balance of glycol: (9 L · 0.32 + 10.12 L) / 26 L = 50 %, so 10.12 L leave the shelf and not the 17 L that went in.
def test_a_closed_job_keeps_strength_and_takes_only_the_product_off_the_shelf(cooled):
    report = dataclasses.replace(
        DONE,
        product_in_l=10.12,
        strength_found_share=0.32,
        strength_left_share=0.5,
        strength_by="refractometer",
    )
    job = job_close(cooled, unit("K01-CL"), report)
    job.refresh_from_db()
    assert (job.strength_found_share, job.strength_left_share, job.strength_by) == (
        0.32,
        0.5,
        "refractometer",
    )
    assert sum(
        StockItem.objects.filter(product__code="F12").values_list("on_shelf_l", flat=True)
    ) == pytest.approx(60.0 - 10.12)
    later = asked()
    assert (later.found_share, later.found_from) == (0.5, f"job {job.code}, refractometer")
    assert later.mix.concentrate_l == pytest.approx(8.5)  # of 17 L, half


def test_without_a_word_on_the_mix_the_wanted_strength_is_taken(cooled):
    job_close(cooled, unit("K01-CL"), DONE)
    left = sum(StockItem.objects.filter(product__code="F12").values_list("on_shelf_l", flat=True))
    assert left == pytest.approx(60.0 - 8.5)


def test_the_order_list_counts_the_concentrate_and_not_the_water(cooled):
    depots = [unit("K01-CL").fittings.get().vehicle.depot_id]
    product = Product.objects.get(code="F12")
    due_refresh_now([unit("K01-CL").fittings.get().vehicle_id])
    (job,) = needs_of(datetime.date(2026, 3, 10), depots, {product.pk: 60})[product.pk].jobs
    # 17 L drained and at most half a litre of purge (common practice, no source), half of it concentrate.
    assert 8.5 <= job.litres <= 8.75
    assert 0.0 < job.litres_sd < 0.5


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"strength_left_share": 0.5}, "strength_by", "How was the strength measured"),
        (
            {"strength_found_share": 32.0, "strength_by": "refractometer"},
            "strength_found_share",
            "0 to 100 %",
        ),
        ({"strength_found_share": 0.3, "strength_by": "thumb"}, "strength_by", "allowed: refractometer"),
        ({"product_in_l": 18.0}, "product_in_l", "correct one"),
        ({"boiling_left_c": 20.0}, "boiling_left_c", "cannot be"),
    ],
)
def test_a_wrong_check_is_told_beside_its_field(cooled, changes, field, words):
    with pytest.raises(InputError) as error:
        job_close(cooled, unit("K01-CL"), dataclasses.replace(DONE, **changes))
    assert words in error.value.fields[field]
    assert not Job.objects.exists()


# Least boiling points of new DOT 4 fluid: 230 °C dry, 155 °C wet. Source: 49 CFR 571.116, S5.1.1 and S5.1.2.
@pytest.mark.parametrize(
    ("boiling_c", "words"), [(140.0, "renew it"), (180.0, "taken up water"), (245.0, "as new fluid of DOT 4")]
)
def test_brake_fluid_is_judged_by_its_boiling_point(cooled, boiling_c, words):
    brakes = unit("K01-BR")
    assert "Cannot say" in brake_check(plan_for_unit(brakes), []).sentence
    report = dataclasses.replace(DONE, method="bleed", out_l=3.0, in_l=3.0, boiling_found_c=boiling_c)
    job = job_close(cooled, brakes, report)
    job.refresh_from_db()
    got = brake_check(plan_for_unit(brakes), [job])
    assert words in got.sentence
    assert [(grade.grade, grade.dry_boiling_least_c, grade.wet_boiling_least_c) for grade in got.grades] == [
        ("DOT 4", 230.0, 155.0)
    ]


# A weight is surer than a reading, a reading with its temperature surer than one without (common practice, no source).
def test_the_share_of_a_closed_job_is_as_sure_as_its_litres(cooled):
    spreads = []
    for number, measured in enumerate(
        (
            {"out_kg": 3.0, "in_kg": 3.0},
            {"out_l": 3.6, "out_temp_c": 20.0, "in_l": 3.7, "in_temp_c": 20.0},
            {"out_l": 3.6, "in_l": 3.7},
        )
    ):
        Product.objects.filter(code="F01").update(density15_kg_m3=850.0)
        job = Job.objects.create(
            code=f"J{number}", unit=unit("K01-TB6"), vehicle=unit("K01-TB6").fittings.get().vehicle,
            state="handed back", method="drain-and-refill", done_on="2025-01-14", fresh_share=0.32, **measured,
        )  # fmt: skip
        got = shares_of_jobs([job])[job.pk]
        assert got.spread.low <= 0.32 <= got.spread.high
        assert "of 100 such jobs" in got.sentence
        spreads.append(got.spread.sd)
    assert spreads[0] < spreads[1] < spreads[2]


def test_a_job_without_litres_or_share_has_no_range(cooled):
    vehicle = unit("K01-TB6").fittings.get().vehicle
    made = [
        Job.objects.create(
            code=f"J{n}", unit=unit("K01-TB6"), vehicle=vehicle, state="handed back", method="drain-and-refill",
            done_on="2025-01-14", **figures,
        )
        for n, figures in enumerate(({"fresh_share": 0.3}, {"in_l": 3.6}))
    ]  # fmt: skip
    assert shares_of_jobs(made) == {}
