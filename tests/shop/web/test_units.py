"""The unit and vehicle pages: what to do, why, the numbers, the history."""

from shop.models import CardFigure, Hold, Job, LastService, Product, StateChange, Unit, UnitModel
from tests.shop.web.conftest import TODAY


def text(client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_strip_stands_where_the_unit_stands(foreman):
    page = text(foreman, "/units/K01-TB6")
    assert 'aria-label="distance: 95\u202f% used' in page
    assert "M730.77 0V44" in page  # 1000 · 0.95 / 1.3
    assert "57\u202f000\u00a0km of 60\u202f000\u00a0km" in page


def test_the_page_says_why_and_where_the_interval_comes_from(foreman):
    page = text(foreman, "/units/K01-TB6")
    assert "Why is this due?" in page
    assert "source maker" in page
    assert "57\u202f000 of 60\u202f000 km since" in page


def test_the_plan_gives_method_stages_seconds_and_sump(foreman):
    page = text(foreman, "/units/K01-TB6")
    # 6.1 L overnight, then two stages of 2.0 L leave 2.0 L in a sump of 4.0: reference calculation
    assert "Overnight drain + cooler-line exchange" in page
    assert "10.1\u00a0L" in page
    assert page.count('<td class="n">2.00</td><td class="n">48</td><td class="n">2.0</td>') == 2
    assert "10.6\u00a0L" in page  # with purge and hold-up


def test_cautions_and_the_makers_say_stand_with_every_plan(foreman):
    page = text(foreman, "/units/K01-TB6")
    for words in ("stands or a locked lift", "Hot fluid scalds", "Engine running", "the maker's data decide"):
        assert words in page


def test_a_guess_on_the_card_is_marked(foreman):
    assert '<span class="from is-guess">guess</span>' in text(foreman, "/units/K01-TB6")


def test_a_card_without_total_fill_gives_a_sentence_and_no_litres(foreman):
    CardFigure.objects.filter(figure="total_fill_l").delete()
    page = text(foreman, "/units/K01-TB6")
    assert "gives no total fill" in page
    assert "To reserve" not in page


def test_old_and_new_fluid_lie_side_by_side(foreman, yard):
    LastService.objects.filter(unit__code="K01-TB6").update(
        fresh_share=0.773, parcels=[{"share": 0.773, "age_days": 0}, {"share": 0.227, "age_days": 380}]
    )
    page = text(foreman, "/units/K01-TB6")
    assert 'aria-label="23\u202f% old, 77\u202f% new"' in page
    assert "age then 380\u00a0days" in page


def test_an_unknown_history_is_said_and_not_drawn(foreman):
    page = text(foreman, "/units/K40-TB6")
    assert "No fluid history" in page
    assert 'class="parcels"' not in page


def test_holds_and_changes_of_state_are_part_of_the_history(foreman, yard):
    line = yard.line("K01")
    Hold.objects.create(
        vehicle=line.vehicle, kind="recall", reason="the fluid changes with the recall", from_day=TODAY
    )
    StateChange.objects.create(
        unit=line.unit,
        rule=line.rule,
        day="2026-02-10",
        from_state="not yet",
        to_state="window open",
    )
    page = text(foreman, "/units/K01-TB6")
    assert "the fluid changes with the recall" in page
    assert "not yet → <strong>window open" in page


def test_the_vehicle_page_lists_units_and_meters(foreman):
    page = text(foreman, "/vehicles/K01")
    assert 'href="/units/K01-TB6"' in page
    assert "Odometer" in page
    assert "100000" in page


def test_litres_stand_beside_us_gallons_where_the_depot_uses_them(foreman, yard):
    yard.depot.volume_unit = "US gal"
    yard.depot.save()
    # NIST SP 811: 1 US gallon is 3.785 411 784 L, so 10.1 L are 2.67 US gal
    assert "10.1\u00a0L (2.67\u00a0US gal)" in text(foreman, "/units/K01-TB6")


# Reference calculation: drain, jug, marks, purge, level and packs make 0.28 L; 95 % of a normal law is ± 1.96 of it.
def test_litres_and_shares_carry_their_range_and_say_why(foreman):
    page = text(foreman, "/units/K01-TB6")
    assert '<span class="range">10.0–11.2\u00a0L</span>' in page
    assert '<span class="range">72–81\u202f%</span>' in page
    assert "95 of 100 such jobs, mostly from overnight drain (maker, ± 5%)" in page
    vehicle = text(foreman, "/vehicles/K01")
    assert "<span>72–81\u202f%</span>" in vehicle
    assert "95 of 100 such jobs" in text(foreman, "/units/K01-TB6/job")


def test_a_figure_the_product_lacks_is_marked_as_default(foreman):
    assert "default</span>" not in text(foreman, "/units/K01-TB6")
    Product.objects.filter(code="F01").update(density15_kg_m3=None)
    page = text(foreman, "/units/K01-TB6")
    # Density of a usual oil, 850 kg/m³ (common practice, no source).
    assert '850 kg/m³ <span class="from is-guess">default</span>' in page
    assert "Weighed litres count with 850" in text(foreman, "/units/K01-TB6/job")


def test_a_finished_job_shows_the_range_of_its_share(foreman, yard):
    unit = Unit.objects.get(code="K01-TB6")
    Job.objects.create(
        code="J1", unit=unit, vehicle=unit.fittings.get().vehicle, state="handed back", method="drain-and-refill",
        done_on="2025-05-06", out_l=3.6, in_l=3.6, in_temp_c=20, out_temp_c=20, fresh_share=0.321,
    )  # fmt: skip
    page = text(foreman, "/units/K01-TB6")
    # 3.6 ± 5 % of 11.2 ± 5 % L, rectangular: 0.321 ± 0.026.
    assert "32\u202f% fresh (30–35\u202f%)" in page


# Reference calculation: 26 L system, 17 L out, 32 % to 50 %: 10.12 and 6.88 L; half and half reaches 43.8 %.
def test_a_cooling_system_says_what_to_pour(foreman, yard):
    UnitModel.objects.filter(code="TB6").update(
        kind="cooling system", methods=["drain-and-refill"], house_method=""
    )
    CardFigure.objects.exclude(figure__in=["total_fill_l", "quick_drain_l"]).delete()
    CardFigure.objects.filter(figure="total_fill_l").update(value=26)
    CardFigure.objects.filter(figure="quick_drain_l").update(value=17)
    Product.objects.filter(code="F01").update(family="coolant", strength_share=1.0)
    page = text(foreman, "/units/K01-TB6")
    assert "measure it before draining" in page
    for address in ("/units/K01-TB6", "/units/K01-TB6/job"):
        page = text(foreman, f"{address}?found=32&drained=17")
        assert "Pour 10.12 L of concentrate and 6.88 L of water." in page
        assert "43.8\u202f%" in page
        assert "poisonous" in page
        assert "Drain more: 6.88 L must come out" in text(foreman, f"{address}?found=32&drained=5")
        assert "measure it before draining" in text(foreman, f"{address}?found=three")
    assert "Strength found, glycol by volume, %" in page


def test_brakes_show_the_least_boiling_points(foreman, yard):
    UnitModel.objects.filter(code="TB6").update(kind="brake system", methods=["bleed"], house_method="")
    page = text(foreman, "/units/K01-TB6")
    assert "49 CFR 571.116" in page
    for grade, dry_c, wet_c in (("DOT 3", 205, 140), ("DOT 4", 230, 155), ("DOT 5.1", 260, 180)):
        row = f'<th scope="row">{grade}</th><td class="n">{dry_c}</td><td class="n">{wet_c}</td>'
        assert row in page
    assert "Boiling point found, °C" in text(foreman, "/units/K01-TB6/job")
