"""The unit and vehicle pages: what to do, why, the numbers, the history."""

from shop.models import CardFigure, Hold, LastService, StateChange
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
        sentence="opened",
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
