"""The bench over the API: the reference job, refusals with their place, and the promise of its document and schema."""

import jsonschema
import pytest
from scipy.stats import norm

from shop.models import MixingBan, UnitModel
from shop.selectors.bench_request import schema
from tests.factories import PackFactory, ProductFactory
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]

CARD = {
    "total_fill_l": 11.2, "quick_drain_l": 3.6, "overnight_drain_l": 6.1, "sump_l": 4.0, "converter_l": 3.2,
    "cooler_l": 0.9, "passages_l": 3.1, "heel_l": 0.4, "converter_drainback_l": 0.9, "passages_drainback_l": 1.6,
    "pickup_l": 1.4, "swirl_l": 0.3, "cooler_flow_l_min": 2.5, "ml_per_mm": 25, "stick_ref_c": 80,
}  # fmt: skip
JOB = {
    "card": CARD,
    "method": "overnight drain + cooler-line exchange",
    "target_share": 0.75,
    "measures": {"tray_l": 6.1, "jug_l": 4.0, "arrival_mm": -4, "reading_mm": 4},
    "temperatures": {"reading_c": 66},
}


def ask(client, **changed):
    return client.post("/api/v1/bench", JOB | changed, format="json")


def pointers(answer) -> dict[str, str]:
    return {one["pointer"]: one["detail"] for one in answer.json()["errors"]}


def test_the_reference_job_comes_out_whole(foreman):
    """Reference calculation of the eleven-litre box, every part of it."""
    body = ask(foreman).json()
    chosen, pour = body["chosen"], body["pour"]
    assert chosen["new_fluid_l"] == pytest.approx(10.1)
    assert (chosen["fresh_share"], chosen["low_share"]) == pytest.approx((0.773, 0.761), abs=6e-4)
    assert chosen["least_share"] <= chosen["low_share"] <= chosen["fresh_share"] <= chosen["most_share"]
    assert [step["litres"] for step in body["stages"]["steps"]] == [2.0, 2.0]
    assert [step["seconds"] for step in body["stages"]["steps"]] == [48.0, 48.0]
    assert min(step["sump_after_l"] for step in body["stages"]["steps"]) == pytest.approx(2.0, abs=1e-6)
    assert body["stages"]["floor_l"] == pytest.approx(1.7)
    assert body["drain"]["stop_waiting_min"] == 300
    assert body["drain"]["at_l"] == pytest.approx(6.01, abs=0.04)
    stick = dict(zip(body["stick"]["temps_c"], body["stick"]["offsets_mm"], strict=True))
    assert [stick[t] for t in (0, 20, 40, 80, 100)] == pytest.approx([-27.7, -21.1, -14.4, 0, 7.6], abs=0.06)
    assert body["stick"]["excess_ml"] == pytest.approx(229, abs=1)
    assert (body["stick"]["pulls"], body["stick"]["pulls_first"]) == (3, 2)
    assert (pour["out_l"], pour["need_l"]) == pytest.approx((9.950, 10.050), abs=6e-4)
    assert (pour["u_l"], pour["first_fill_l"]) == pytest.approx((0.220, 9.69), abs=5e-3)
    assert pour["overfill_first"] == pytest.approx(0.05)
    assert pour["overfill_as_read"] == pytest.approx(0.59, abs=0.01)


def test_costs_follow_the_rates_given(foreman):
    """Reference calculation: 4.98 and 4.19 per 1 000 km at the typical rates."""
    rows = {row["title"]: row for row in ask(foreman).json()["plans"]}
    assert rows["drain-and-refill"]["cost_per_1000_km"] == pytest.approx(4.98, abs=0.02)
    assert rows["overnight drain"]["cost_per_1000_km"] == pytest.approx(4.19, abs=0.02)
    free = ask(foreman, rates={"labour_per_h": 0, "off_road_per_h": 0, "kit_per_job": 0, "fluid_per_l": 10})
    row = next(one for one in free.json()["plans"] if one["title"] == "drain-and-refill")
    assert row["cost"] == pytest.approx(36.0)


def test_weighing_needs_a_smaller_guard(foreman):
    """Reference calculation: read 0.363 L, weighed 0.155 L."""
    guards = [
        ask(foreman, measures=JOB["measures"] | {"measured_by": by}).json()["pour"]["guard_l"]
        for by in ("reading", "weighing")
    ]
    assert guards == pytest.approx([0.363, 0.155], abs=6e-3)


def test_litres_can_be_tried_instead_of_a_target(foreman):
    """Reference calculation: 8 L give 0.683, and 12 L 0.831 in stages of 2.0 L."""
    for litres, share in ((8.0, 0.683), (10.1, 0.773), (12.0, 0.831)):
        body = ask(foreman, target_share=None, new_fluid_l=litres).json()
        assert body["chosen"]["fresh_share"] == pytest.approx(share, abs=6e-4)
    refused = ask(foreman, target_share=None, new_fluid_l=3.6).json()
    assert refused["chosen"]["is_allowed"] is False
    assert refused["chosen"]["fresh_share"] is None
    assert refused["chosen"]["reason"] == "start_refused"
    assert refused["stages"]["steps"] == []


def test_a_bare_card_says_what_it_cannot_say(foreman):
    body = foreman.post(
        "/api/v1/bench", {"card": {"total_fill_l": 9.5, "quick_drain_l": 3.0}}, format="json"
    ).json()
    for part in ("drain", "stick"):
        assert body[part]["cannot_say"].startswith("Cannot say")
    assert body["stages"]["limit"] is None or body["stages"]["limit"]["source"] == "guess"


def test_a_coolant_gets_its_strength_sum_and_its_own_volumes(foreman):
    """Reference calculation: 26 L, 17 L drained, 32 to 50 %: 10.12 L + 6.88 L; ready mix alone reaches 43.8 %."""
    card = {"total_fill_l": 26, "quick_drain_l": 17, "unit_kind": "cooling system, radiator only", "ml_per_mm": 100,
            "stick_ref_c": 20}  # fmt: skip
    asked = {"card": card, "measures": {"strength_found_pct": 32, "strength_wanted_pct": 50}}
    body = foreman.post("/api/v1/bench", asked, format="json").json()
    mix = body["strength"]["mix"]
    assert (mix["concentrate_l"], mix["water_l"]) == pytest.approx((10.12, 6.88), abs=5e-3)
    assert body["strength"]["with_ready_mix_share"] == pytest.approx(0.438, abs=5e-4)
    assert body["fluid"]["kind"] == "coolant"
    assert set(body["fluid"]["defaults"]) == {"density", "viscosity at 40 °C", "viscosity at 100 °C"}
    # CoolProp, INCOMP::AEG[0.50] (ASHRAE): 1073.35 kg/m³ at 20 °C, 1038.46 at 80 °C; so 26 L grow by 0.874 L.
    grown = dict(zip(body["stick"]["temps_c"], body["stick"]["growths_ml"], strict=True))
    assert grown[80.0] == pytest.approx(26_000 * (1073.35 / 1038.46 - 1.0), rel=0.01)
    assert {plan["method"] for plan in body["plans"]} == {"drain-and-refill", "repeated drain-and-refill"}
    less = foreman.post(
        "/api/v1/bench", asked | {"measures": asked["measures"] | {"tray_l": 4}}, format="json"
    ).json()
    assert less["strength"]["mix"]["reason"] == "drain more"
    assert less["strength"]["mix"]["concentrate_l"] is None


def test_a_brake_fluid_is_judged_by_its_boiling_point(foreman):
    """49 CFR 571.116, S5.1.1 and S5.1.2."""
    body = ask(
        foreman, method="bleed", card=CARD | {"unit_kind": "brakes", "bleed_l": 3}, target_share=None
    ).json()
    grades = {row["grade"]: row for row in body["fluid"]["grades"]}
    assert (grades["DOT 4"]["dry_boiling_least_c"], grades["DOT 4"]["wet_boiling_least_c"]) == (230, 155)
    assert "holds for oil" in body["drain"]["cannot_say"]


def test_a_standpipe_level_outside_its_window_is_void(foreman):
    """Reference calculation: set at 55 instead of 40 °C leaves 11.2 L short by 130 mL."""
    window = {"window_low_c": 35, "window_high_c": 45, "reading_c": 55}
    stick = ask(foreman, temperatures=window, measures={"level_by": "standpipe"}).json()["stick"]
    assert stick["void"].startswith("Void: 55 °C is outside 35 to 45 °C")
    errors = dict(zip(stick["pipe_temps_c"], stick["pipe_errors_ml"], strict=True))
    assert errors[55.0] == pytest.approx(-130, abs=2)
    assert errors[40.0] == pytest.approx(0.0, abs=1e-9)
    on_stick = ask(foreman, temperatures=window).json()["stick"]
    assert on_stick["void"].startswith("Void as the last check: 55 °C is outside 35 to 45 °C")
    inside = ask(foreman, temperatures=window | {"reading_c": 42}, measures={"level_by": "standpipe"}).json()
    assert inside["stick"]["void"] == ""


def test_a_stick_reading_is_accepted_only_a_guard_inside_its_tolerance(foreman):
    """JCGM 106:2012, 7.4 and 8.3: a rectangular limit of 2 mm and 5 % risk keep 1.645 x 2/sqrt 3 = 1.90 mm off."""
    right_mm = ask(foreman).json()["stick"]["right_mm"]

    def judged(off_mm: float, stick_error_mm: float = 2.0) -> dict:
        measures = {
            "reading_mm": right_mm + off_mm,
            "level_tolerance_mm": 5,
            "stick_error_mm": stick_error_mm,
        }
        return ask(foreman, measures=measures).json()["stick"]["acceptance"]

    good = judged(3.0)
    assert good["is_accepted"]
    assert good["high_mm"] - right_mm == pytest.approx(5 - 1.899, abs=1e-3)
    inside = norm.cdf(2.0 / (2.0 / 3**0.5)) - norm.cdf(-8.0 / (2.0 / 3**0.5))
    assert good["probability"] == pytest.approx(inside, abs=1e-6)
    assert not judged(3.2)["is_accepted"]
    assert "too coarse" in judged(0.0, stick_error_mm=9.0)["sentence"]
    assert "above zero" in judged(0.0, stick_error_mm=0.0)["sentence"]
    assert ask(foreman).json()["stick"]["acceptance"] is None
    assert f"Chance that the level is right: {inside:.0%}." in good["sentence"]


def test_an_accepted_level_asks_for_no_pull_and_one_read_outside_its_window_is_not_judged(foreman):
    right_mm = ask(foreman).json()["stick"]["right_mm"]
    over = {"reading_mm": right_mm + 6.0, "stick_error_mm": 2.0}
    assert ask(foreman, measures=over).json()["stick"]["pulls"] > 0
    accepted = ask(foreman, measures=over | {"level_tolerance_mm": 10}).json()["stick"]
    assert (accepted["acceptance"]["is_accepted"], accepted["pulls"], accepted["pulls_first"]) == (True, 0, 0)
    outside = {"window_low_c": 35, "window_high_c": 45, "reading_c": 55}
    void = ask(foreman, measures=over | {"level_tolerance_mm": 10}, temperatures=outside).json()["stick"]
    assert void["void"]
    assert void["acceptance"] is None


def test_the_cold_check_and_the_cheapest_risk(foreman):
    """Reference calculation: at 30 °C right -17.8 mm, -32.3 with the guard out; prices 4 and 14 give 9.88 L."""
    body = ask(foreman).json()
    assert body["stick"]["cold_right_mm"] == pytest.approx(-17.8, abs=0.05)
    assert body["stick"]["cold_guarded_mm"] == pytest.approx(-32.3, abs=0.1)
    assert body["stick"]["slope_ml_per_c"] == pytest.approx((94 + 92) / 20, abs=0.1)
    assert body["pour"]["cheapest_risk"] == pytest.approx(4 / 18)
    assert body["pour"]["cheapest_fill_l"] == pytest.approx(9.88, abs=5e-3)


def test_litres_and_shares_carry_their_range(foreman):
    """By hand after GUM 4.3.7 and 5.1.2: 3.6 L and 11.2 L each ± 5 % rectangular, 1.96 u either side."""
    body = ask(foreman, method="drain-and-refill").json()
    ranges = body["ranges"]
    assert (ranges["litres_low_l"], ranges["litres_high_l"]) == pytest.approx((3.396, 3.804), abs=2e-3)
    assert (ranges["share_low"], ranges["share_high"]) == pytest.approx((0.296, 0.347), abs=1e-3)
    assert ranges["covers"].startswith("Ranges hold in 95 of 100 such jobs")
    assert body["pour"]["need_low_l"] < body["pour"]["need_l"] < body["pour"]["need_high_l"]
    assert body["drain"]["at_low_l"] < body["drain"]["at_l"] < body["drain"]["at_high_l"]
    by_title = {row["title"]: row for row in ranges["methods"]}
    assert set(by_title) == {row["title"] for row in body["plans"] if row["is_feasible"]}
    assert by_title["overnight drain"]["share_least"] is None


def test_the_first_fill_of_repeated_drains_is_that_of_one_drain(foreman):
    """A box of 11.2 L never takes more than one drain of 3.6 L at once: mass balance."""
    body = ask(foreman, method="repeated drain-and-refill", measures={}).json()
    assert body["chosen"]["drains"] == 4
    assert body["chosen"]["new_fluid_l"] == pytest.approx(14.4)
    assert body["pour"]["need_l"] == pytest.approx(3.6)
    tried = ask(foreman, method="repeated drain-and-refill", measures={}, target_share=None, new_fluid_l=7.2)
    assert (tried.json()["chosen"]["drains"], tried.json()["pour"]["need_l"]) == (2, pytest.approx(3.6))


def test_a_bleed_has_no_first_fill(foreman):
    card = {"total_fill_l": 1.2, "bleed_l": 3, "unit_kind": "brakes"}
    body = foreman.post("/api/v1/bench", {"card": card}, format="json").json()
    assert body["chosen"]["method"] == "bleed"
    assert body["pour"]["first_fill_l"] is None
    assert "must not run dry" in body["pour"]["cannot_say"]


def test_litres_typed_vary_with_the_jug(foreman):
    """3 % of 8 L is 0.24 L: what a jug is trusted to, common practice, no source."""
    body = ask(foreman, target_share=None, new_fluid_l=8.0).json()
    ranges = body["ranges"]
    assert (ranges["litres_low_l"], ranges["litres_high_l"]) == pytest.approx((7.76, 8.24))
    assert ranges["share_low"] < body["chosen"]["fresh_share"] < ranges["share_high"]
    refused = ask(foreman, target_share=None, new_fluid_l=3.6).json()["ranges"]
    assert (refused["share_low"], refused["litres_low_l"]) == (None, None)
    assert refused["cannot_say"]


def test_steps_carry_the_range_of_mixing(foreman):
    """Reference calculation of 6.1 + 4.0 L: 0.748 with no turnover and the strongest leak, 0.776 at the other end."""
    steps = [{"kind": "overnight drain"}, {"kind": "pour"}, {"kind": "cooler-line exchange", "litres": 4}]
    sequence = ask(foreman, steps=steps).json()["sequence"]
    assert sequence["share_least"] == pytest.approx(0.748, abs=5e-3)
    assert sequence["share_most"] == pytest.approx(0.776, abs=5e-3)
    assert sequence["share_least"] < sequence["run"]["fresh_share"] < sequence["share_most"]


def test_a_fluid_on_record_brings_its_figures_and_packs(foreman):
    product = ProductFactory(
        code="F77", name="Thin fluid", density15_kg_m3=838, kv40_mm2_s=24, kv100_mm2_s=5.5
    )
    PackFactory(product=product, size_l=5, printed="5 L", price="40.00", supplier__name="Quarlane Fluids")
    body = ask(foreman, product="F77").json()
    assert (body["fluid"]["density_kg_m3"], body["fluid"]["defaults"]) == (838, [])
    assert body["fluid"]["product"] == "F77 Thin fluid"
    assert [(row["count"], row["size_l"]) for row in body["packs"]["packs"]] == [(3, 5)]
    typed = ask(foreman, product="F77", fluid={"density_kg_m3": 860}).json()
    assert typed["fluid"]["density_kg_m3"] == 860


def test_a_fluid_that_must_not_go_into_the_unit_is_said_to(foreman):
    product, model = ProductFactory(code="F78"), UnitModel.objects.get(code="TB6")
    MixingBan.objects.create(product=product, unit_model=model, reason="swells its seals")
    body = foreman.post("/api/v1/bench", {"unit": "K01-TB6", "product": "F78"}, format="json").json()
    assert body["fluid"]["must_not"] == "F78 must not go into TB6: swells its seals."


def test_steps_are_worked_through_in_their_order(foreman):
    """Mass balance: two drains of 3.6 of 11.2 L, driven between, leave 0.5395 fresh; not driven, 0.3536."""
    drain, pour, drive = {"kind": "quick drain"}, {"kind": "pour"}, {"kind": "drive"}
    driven = ask(foreman, steps=[drain, pour, drive, drain, pour, drive]).json()["sequence"]["run"]
    assert driven["fresh_share"] == pytest.approx(0.5395, abs=5e-5)
    assert [row["kind"] for row in driven["rows"]] == ["quick drain", "pour", "drive"] * 2
    standing = ask(foreman, steps=[drain, pour, drain, pour]).json()["sequence"]["run"]
    assert standing["fresh_share"] == pytest.approx(0.3536, abs=5e-5)
    refused = ask(foreman, steps=[drain, drive]).json()["sequence"]["run"]
    assert (refused["is_allowed"], refused["refused_at"], refused["fresh_share"]) == (False, 2, None)
    assert refused["sentence"].startswith("Step 2, drive: 3.60 L are missing")


@pytest.mark.parametrize(
    ("steps", "pointer"),
    [
        ([], "#/steps"),
        ("drain", "#/steps"),
        ([{"kind": "rinse"}], "#/steps/0/kind"),
        ([{"kind": "pour", "litres": -1}], "#/steps/0/litres"),
        ([{"kind": "pour"}, {"kind": "cooler-line exchange"}], "#/steps/1/litres"),
        ([{"kind": "pour", "how": "fast"}], "#/steps/0/how"),
        ([{"kind": "machine exchange", "litres": 2, "hose": "inside"}], "#/steps/0/hose"),
    ],
)
def test_steps_that_cannot_be_name_their_place(foreman, steps, pointer):
    answer = ask(foreman, steps=steps)
    assert answer.status_code == 422
    assert pointer in pointers(answer)


def test_every_wrong_figure_is_named_with_its_place(foreman):
    answer = ask(
        foreman,
        card=CARD | {"sump_l": -4, "swirl": 1},
        temperatures={"drain_start_c": 1000, "shed_c": "mild"},
    )
    assert answer.status_code == 422
    found = pointers(answer)
    assert found["#/card/sump_l"] == "Sump is -4 L; it cannot be below zero."
    assert "not known here" in found["#/card/swirl"]
    assert "1000 °C is outside -40 to 150 °C" in found["#/temperatures/drain_start_c"]
    assert "not a number" in found["#/temperatures/shed_c"]


@pytest.mark.parametrize(
    ("figures", "sentence"),
    [
        ({"sump_l": 12.0}, "Sump of 12 L is more than total fill of 11.2 L."),
        ({"pickup_l": 4.5}, "Pickup of 4.5 L is more than sump of 4 L."),
        ({"converter_l": 2.0}, "add up to 10.00 L but the total fill is 11.20 L"),
    ],
)
def test_a_card_that_contradicts_itself_gets_one_sentence(foreman, figures, sentence):
    answer = ask(foreman, card=CARD | figures)
    assert answer.status_code == 422
    assert sentence in pointers(answer)["#/card"]


@pytest.mark.parametrize(
    "changed",
    [
        {"card": None}, {"card": {}}, {"new_fluid_l": 8.0}, {"allowed_methods": []}, {"allowed_methods": ["rinse"]},
        {"method": "rinse"}, {"night_is_free": "yes"}, {"unit": 7}, {"target_share": 1.5}, {"measures": []},
        {"card": {"total_fill_l": True}},
    ],
)  # fmt: skip
def test_what_the_schema_refuses_is_refused(foreman, changed):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(JOB | changed, schema())
    assert ask(foreman, **changed).status_code == 422


def test_what_is_taken_fits_the_schema(foreman):
    for given in (JOB, {"unit": "K01-TB6"}, {"card": {"total_fill_l": 9}, "night_is_free": False}):
        jsonschema.validate(given, schema())
        assert foreman.post("/api/v1/bench", given, format="json").status_code == 200


def test_a_unit_brings_its_card_and_typed_figures_go_over_it(foreman):
    body = foreman.post("/api/v1/bench", {"unit": "K01-TB6", "card": {"heel_l": 0.5}}, format="json").json()
    assert (body["unit"], body["model"], body["target_share"]) == ("K01-TB6", "TB6", 0.75)
    assert (body["card"]["heel_l"], body["card"]["sump_l"]) == (0.5, 4.0)
    assert (body["sources"]["heel_l"], body["sources"]["sump_l"]) == ("typed", "house")
    assert body["chosen"]["title"] == "overnight drain + cooler-line exchange"


def test_another_depots_unit_is_as_unknown_as_none_at_all(foreman, south):
    for code in ("K90-TB6", "K00-TB6"):
        answer = foreman.post("/api/v1/bench", {"unit": code}, format="json")
        assert answer.status_code == 422
        assert "in your depots" in pointers(answer)["#/unit"]


def test_it_needs_a_sign_in(north, client):
    assert client.post("/api/v1/bench", JOB, content_type="application/json").status_code == 401


def test_answers_fit_the_document(foreman, document):
    fits(document, "bench", "post", ask(foreman))
    fits(document, "bench", "post", ask(foreman, card={"total_fill_l": 9.0}))
    fits(document, "bench", "post", ask(foreman, card={"total_fill_l": -9.0}))
