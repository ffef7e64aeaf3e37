"""Vehicles and units in full, exchange plans and closing a job."""

import pytest

from shop.models import DueLine, Job, StockItem

JOB = {
    "method": "drain-and-refill",
    "done_on": "2026-03-09",
    "out_l": 3.6,
    "in_l": 3.6,
    "level_temp_c": 40,
    "leak_checked": True,
    "road_tested": True,
    "meter_text": 99_900,
    "done_by": "T. One",
}


def shelf_l(yard):
    return sum(StockItem.objects.filter(depot=yard.depot).values_list("on_shelf_l", flat=True))


def test_a_vehicle_comes_with_all_that_hangs_on_it(foreman):
    vehicle = foreman.get("/api/v1/vehicles/K01").json()
    assert vehicle["depot"] == "NORTH"
    assert [meter["shown_in"] for meter in vehicle["meters"]] == ["km"]
    assert [unit["unit"] for unit in vehicle["units"]] == ["K01-TB6"]
    assert [line["state"] for line in vehicle["due_lines"]] == ["window open"]


def test_a_unit_comes_with_its_fluid_and_dates(foreman):
    unit = foreman.get("/api/v1/units/K01-TB6").json()
    assert (unit["vehicle"], unit["position"], unit["product"]) == ("K01", "gearbox", "ATF-1")
    assert unit["last_services"][0]["fresh_share"] == 0.32
    assert unit["due_lines"][0]["due_on"] == "2026-03-22"


def test_a_plan_gives_litres_stages_reasons_and_sources(foreman):
    # reference calculation: 6.1 L overnight and two stages of 2.0 L leave this box 77 % fresh
    plan = foreman.get("/api/v1/units/K01-TB6/exchange-plan").json()
    best = plan["best"]
    assert best["method"] == "cooler-line exchange"
    assert best["new_fluid_l"] == pytest.approx(10.1, abs=0.05)
    assert best["fresh_share"] == pytest.approx(0.773, abs=0.005)
    assert best["stages_l"] == [2.0, 2.0]
    assert [stage["stage_l"] for stage in plan["stages"]] == [2.0, 2.0]
    assert all(stage["sump_after_l"] is not None for stage in plan["stages"])
    assert any("maker" in caution for caution in best["cautions"])
    assert plan["target_share"] == 0.75
    assert {"figure", "value", "measured_in", "source"} <= plan["figures"][0].keys()
    assert [part["part"] for part in plan["parts"]] == ["WASHER-22"]
    assert {row["title"] for row in plan["plans"]} >= {"drain-and-refill"}
    assert plan["choice"]
    assert plan["cannot_say"] == ""


def test_a_plan_can_be_asked_for_another_target(foreman):
    plan = foreman.get("/api/v1/units/K01-TB6/exchange-plan", {"target_share": "0.3"}).json()
    assert plan["target_share"] == 0.3
    assert plan["best"]["reaches_target"] is True


@pytest.mark.parametrize("share", ["0", "1", "1.5", "nan", "inf", "much"])
def test_a_target_no_exchange_reaches_is_refused(foreman, share):
    answer = foreman.get("/api/v1/units/K01-TB6/exchange-plan", {"target_share": share})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "target_share"


def test_a_unit_without_figures_gives_a_reason_and_no_numbers(foreman, north):
    north.unit.unit_model.figures.all().delete()
    plan = foreman.get("/api/v1/units/K01-TB6/exchange-plan").json()
    assert plan["best"] is None
    assert plan["plans"] == []
    assert plan["cannot_say"].endswith(".")


def test_closing_a_job_answers_with_the_new_age_and_the_next_date(foreman, north):
    answer = foreman.post("/api/v1/units/K01-TB6/jobs", JOB, format="json")
    assert answer.status_code == 201, answer.json()
    body = answer.json()
    assert body["job"]["state"] == "handed back"
    assert body["job"]["unit_km"] == 99_900
    # 3.6 of 11.2 L new: 0.3214 (dilution, plain share)
    assert body["last_services"][0]["fresh_share"] == pytest.approx(3.6 / 11.2, abs=0.02)
    assert body["last_services"][0]["age_km"] > 0
    assert body["due_lines"][0]["due_on"] == str(DueLine.objects.get(unit=north.unit).due_on)
    assert shelf_l(north) == pytest.approx(16.4, abs=0.1)


def test_a_job_sent_twice_with_one_key_is_closed_once(foreman, north):
    before = Job.objects.count()
    headers = {"Idempotency-Key": '"job-1"'}
    answers = [
        foreman.post("/api/v1/units/K01-TB6/jobs", JOB, format="json", headers=headers) for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert Job.objects.count() == before + 1
    assert shelf_l(north) == pytest.approx(16.4, abs=0.1)


@pytest.mark.parametrize("wrong", ["3.6", True, "NaN", 1e300])
def test_litres_are_numbers(foreman, wrong):
    answer = foreman.post("/api/v1/units/K01-TB6/jobs", JOB | {"in_l": wrong}, format="json")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "#/in_l"


def test_a_units_jobs_are_listed_the_last_first(foreman):
    foreman.post("/api/v1/units/K01-TB6/jobs", JOB, format="json")
    days = [row["done_on"] for row in foreman.get("/api/v1/units/K01-TB6/jobs").json()["results"]]
    assert days == ["2026-03-09", "2025-01-14"]


# Reference calculation: 10.1 L, and 0.773 with 72 to 81 % in 95 of 100 jobs.
def test_a_plan_says_how_sure_it_is(foreman):
    plan = foreman.get("/api/v1/units/K01-TB6/exchange-plan").json()
    spread = plan["best"]["spread"]
    assert spread["coverage_share"] == 0.95
    assert (spread["fresh_share"]["low"], spread["fresh_share"]["high"]) == pytest.approx(
        (0.724, 0.806), abs=0.002
    )
    litres = spread["new_fluid_l"]
    assert litres["value"] == pytest.approx(10.1)
    assert (litres["low"], litres["high"]) == pytest.approx(
        (10.1 - 1.96 * litres["sd"], 10.1 + 1.96 * litres["sd"]), abs=1e-3
    )
    assert "95 of 100" in spread["sentence"]
    assert plan["product_figures"][0] == {
        "figure": "density15_kg_m3", "value": 850.0, "measured_in": "kg/m³", "source": "product"
    }  # fmt: skip
    assert plan["product_figures"][1]["source"] == "default"
    assert (plan["coolant"], plan["brakes"]) == (None, None)


def test_due_lines_carry_litres_and_share_with_their_range(foreman):
    (line,) = foreman.get("/api/v1/due-list").json()["results"]
    assert line["plan"]["title"] == "overnight drain + cooler-line exchange"
    assert line["plan"]["fresh_share"]["low"] < 0.773 < line["plan"]["fresh_share"]["high"]
    assert line["plan"]["total_to_reserve_l"]["value"] > line["plan"]["new_fluid_l"]["value"]


def test_jobs_carry_the_range_of_their_share(foreman, north):
    foreman.post("/api/v1/units/K01-TB6/jobs", JOB, format="json")
    closed, old = foreman.get("/api/v1/units/K01-TB6/jobs").json()["results"]
    spread = closed["fresh_share_spread"]
    assert spread["low"] < closed["fresh_share"] == spread["value"] < spread["high"]
    assert old["fresh_share_spread"] is None


# Reference calculation: 26 L system, 17 L out, 32 % to 50 %: 10.12 and 6.88 L.
def test_a_cooling_system_is_told_concentrate_and_water(foreman, north):
    model = north.unit.unit_model
    type(model).objects.update(kind="cooling system", methods=["drain-and-refill"], house_method="")
    model.figures.exclude(figure__in=["total_fill_l", "quick_drain_l"]).delete()
    model.figures.filter(figure="total_fill_l").update(value=26)
    address = "/api/v1/units/K01-TB6/exchange-plan"
    got = foreman.get(
        address, {"strength_found_share": "0.32", "strength_wanted_share": "0.5", "drained_l": "17"}
    )
    coolant = got.json()["coolant"]
    assert (coolant["concentrate_l"], coolant["water_l"]) == pytest.approx((10.12, 6.88), abs=0.005)
    assert coolant["concentrate_spread_l"]["low"] < 10.12 < coolant["concentrate_spread_l"]["high"]
    assert coolant["filled_as_wanted_share"] == pytest.approx(0.438, abs=5e-4)
    unsaid = foreman.get(address).json()["coolant"]
    assert unsaid["concentrate_l"] is None
    assert "measure it" in unsaid["cannot_say"]
    assert foreman.get(address, {"strength_found_share": "32"}).status_code == 400
