"""A rule tried out and the catch-up queue, on the page and in the file; nothing is stored."""

import csv
import datetime
import io
from dataclasses import replace

import pytest
from django.apps import apps

from shop.models import Fitting, Job, LastService, RuleVersion, SeverityFactor
from shop.selectors.catch_up import catch_up
from shop.selectors.line_columns import recorded_lines
from shop.selectors.what_if import RuleAsked, what_if
from tests.factories import PersonFactory


def everything() -> dict[str, list[tuple]]:
    """Every row of every table of ours."""
    return {
        model._meta.label: sorted(map(repr, model.objects.values_list()))
        for label in ("shop", "notifications")
        for model in apps.get_app_config(label).get_models()
    }


@pytest.fixture
def ines(yard):
    return PersonFactory(name="Ines", depots=[yard.depot])


def test_a_year_of_the_yard_as_its_rule_stands(yard, ines):
    """By hand, 150 km/day, full fluid life 60 000 km, age before the last job unknown or zero.

    K01 57 000: 20 days; K02 and K08 are over: day 0; K13 20 000: 266 days; K40 has no history. The next run is at
    least a third of a year away: 60 000 km of which 23 % age stay: 46 000 km and more are 306 days.
    """
    found = what_if(ines, "TB6", RuleAsked())
    first = [month.before.jobs for month in found.months]
    assert (found.units, found.unknown_before, found.unplanned) == (5, 1, 0)
    assert first[0] == 3
    assert first[8] == 1
    assert found.before == found.after
    assert found.sentence.endswith(f"the same number of jobs within a year, {found.before.jobs}.")


def test_litres_and_cost_are_those_of_the_plan(yard, ines):
    """By hand: house plan 10.1 L and 0.2 + 3 % of it to reserve, at 429.00 / 60 L = 7.15; hands on 2.18 h + 0.08 a
    pushed litre at 58 an hour."""
    found = what_if(ines, "TB6", RuleAsked())
    job = found.months[8].before
    assert job.jobs == 1
    assert found.price_per_l == pytest.approx(7.15)
    assert job.litres == pytest.approx(10.1 + 0.5, abs=0.05)
    hands_on_h = (job.cost - job.litres * 7.15) / 58
    assert hands_on_h == pytest.approx(2.18 + 0.08 * 4.0, abs=0.02)
    assert found.before.litres == pytest.approx(found.before.jobs * job.litres)


def test_a_shorter_interval_brings_the_job_forward(yard, ines):
    """By hand: K13 has 20 000 km; at 50 000 km it is due in 200 days instead of 266, after 6 months, not 8."""
    found = what_if(ines, "TB6", RuleAsked(interval_km=50_000))
    assert [month.before.jobs for month in found.months][8] == 1
    assert [month.after.jobs for month in found.months][6] == 1
    assert found.after.jobs >= found.before.jobs


def test_without_a_card_there_are_jobs_but_no_litres(yard, ines):
    yard.model.figures.all().delete()
    found = what_if(ines, "TB6", RuleAsked(interval_km=20_000))
    assert (found.unplanned, found.after.litres, found.after.cost) == (5, 0, 0)
    assert found.after.jobs > found.before.jobs > 0
    assert found.sentence.endswith("within a year; litres and cost cannot be said.")


def test_a_longer_interval_saves_jobs_and_says_by_how_much(yard, ines):
    """By hand: at 100 000 km K13 has 80 000 to go, 533 days. The sentence is that of the totals."""
    found = what_if(ines, "TB6", RuleAsked(interval_km=100_000))
    fewer, less_l = found.before.jobs - found.after.jobs, found.before.litres - found.after.litres
    assert fewer > 0
    assert f"{fewer} fewer job" in found.sentence
    assert f", {less_l:.0f} L and " in found.sentence
    assert found.sentence.endswith("EUR less.")


def test_severity_divides_the_interval(yard, ines):
    """By hand: 60 000 km / 1.2 = 50 000 km; the calendar does not bind here."""
    by_factor = what_if(ines, "TB6", RuleAsked(severity_factor=1.2))
    by_interval = what_if(ines, "TB6", RuleAsked(interval_km=50_000))
    assert [month.after for month in by_factor.months] == [month.after for month in by_interval.months]


def test_window_widths_move_states_and_no_jobs(yard, ines):
    """By hand: K01 stands at 95 %; a window that opens at 96 % is not open yet. K02 at 117.5 % is late beyond 110 %
    and due with a window to 120 %."""
    found = what_if(ines, "TB6", RuleAsked(opens_share=0.04, closes_share=0.2))
    assert found.states == {
        "not yet": (1, 2), "window open": (1, 0), "due": (1, 2), "late": (1, 0), "cannot say": (1, 1),
    }  # fmt: skip
    assert found.before == found.after


def test_the_calendar_alone(yard, ines):
    """By hand: last jobs 300 days ago; 12 months leave 65 or so: month 2 holds all four units of known history."""
    found = what_if(ines, "TB6", RuleAsked(interval_km=0, interval_months=12))
    assert [month.after.jobs for month in found.months][2] == 4


@pytest.mark.parametrize("address", ["/what-if?interval_km=50000&severity_factor=1.1&policy=full+credit",
                                     "/catch-up?capacity=30", "/catch-up.csv"])  # fmt: skip
def test_nothing_is_written(yard, foreman, address):
    SeverityFactor.objects.create(
        unit=yard.line("K13").unit, reason="hills", factor=1.1, source="house", applies_from="2020-01-01"
    )
    before = everything()
    assert sum(map(len, before.values())) > 100
    assert foreman.get(address).getvalue()
    assert everything() == before


def test_the_page_shows_bars_table_and_one_sentence(yard, foreman):
    page = foreman.get("/what-if?unit_model=TB6&interval_km=20000").content.decode()
    assert "more job" in page
    assert page.count('<rect class="track"') == page.count('<rect class="poured"') == 12
    assert 'placeholder="60000"' in page
    assert "<caption>Jobs, litres and cost by month</caption>" in page
    assert RuleVersion.objects.get().interval_km == 60_000


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("interval_km=-5", "greater than or equal to 0"),
        ("interval_km=abc", "Write a number in km"),
        ("opens_share=150", "less than or equal to 99"),
        ("interval_km=0&interval_months=0", "without a clock"),
        ("unit_model=NONE", "Select a valid choice"),
        ("severity_factor=nan", "Write a number in ×"),
    ],
)
def test_what_cannot_be_used_is_told_on_the_page(foreman, query, told):
    answer = foreman.get(f"/what-if?{query}")
    assert answer.status_code == 200
    assert told in answer.content.decode()


def test_who_has_no_depot_is_offered_nothing(client, yard):
    client.force_login(PersonFactory(name="Nobody", depots=[]))
    assert "No unit model in your depots" in client.get("/what-if?unit_model=TB6").content.decode()
    assert "nothing to catch up" in client.get("/catch-up").content.decode()


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"interval_km": 20_000, "severity_factor": 1.3},
        {"interval_km": 0, "interval_months": 12, "policy": "full credit"},
        {"assumed_freshness_share": 0.5, "cap_share": 0.6, "opens_share": 0.3, "closes_share": 0.4},
    ],
)
def test_a_year_is_the_same_read_in_columns_and_row_by_row(yard, ines, monkeypatch, asked):
    own = yard.line("K13").unit
    own.figures.create(figure="total_fill_l", value=9.5, measured_in="L", source="house")
    SeverityFactor.objects.create(
        unit=yard.line("K01").unit, reason="hills", factor=1.1, source="house", applies_from="2020-01-01"
    )
    in_columns = what_if(ines, "TB6", RuleAsked(**asked))
    calls = []

    def nothing_ordinary(as_of, unit_pks, subject):
        calls.append(len(unit_pks))
        return replace(recorded_lines(as_of, unit_pks[:0], subject), others=unit_pks)

    monkeypatch.setattr("shop.selectors.what_if.recorded_lines", nothing_ordinary)
    row_by_row = what_if(ines, "TB6", RuleAsked(**asked))
    assert calls == [5]
    assert in_columns.after.jobs > 0
    for name in ("units", "states", "unknown_before", "unknown_after", "unplanned", "rules", "sentence"):
        assert getattr(in_columns, name) == getattr(row_by_row, name), name
    for fast, slow in zip(in_columns.months, row_by_row.months, strict=True):
        for one, other in ((fast.before, slow.before), (fast.after, slow.after)):
            assert (one.jobs, one.litres, one.cost) == pytest.approx((other.jobs, other.litres, other.cost))


def test_units_of_other_depots_do_not_count(yard, other_yard, ines):
    assert what_if(ines, "TB6", RuleAsked()).units == 5


def test_the_queue_is_riskiest_first_and_spread_over_weeks(yard, ines):
    """By hand: K40, K41, K42 without history, run 100 000 km on one fitting each; the manual box comes last.

    Normal: lines due in the next 84 days are K01 in 20 days and nothing else: 1/12 = 0.1 a week. With 1.1 a week that
    leaves one a week: weeks 1, 2, 3 and Mondays from 2 March, which is one.
    """
    for number in ("K41", "K42"):
        yard.add(number, 1_000)
    LastService.objects.filter(unit__code__in=["K41-TB6", "K42-TB6"]).delete()
    fitting = Fitting.objects.get(vehicle__number="K42")
    fitting.unit_km_at_fit = 60_000
    fitting.save()
    yard.run()
    found = catch_up(ines, 1.1)
    assert found.normal_per_week == pytest.approx(0.1)
    assert [own.line.vehicle.number for own in found.units] == ["K42", "K40", "K41"]
    assert [own.run_km for own in found.units] == [160_000, 100_000, 100_000]
    assert found.units[0].intervals_run == pytest.approx(160 / 60)
    assert [own.week for own in found.units] == [1, 2, 3]
    assert [own.week_from.isoformat() for own in found.units] == ["2026-03-02", "2026-03-09", "2026-03-16"]
    assert (found.weeks, found.done_by) == (3, datetime.date(2026, 3, 22))


def test_the_capacity_comes_from_closed_jobs_else_from_the_house(yard, ines):
    """By hand: 24 jobs handed back in 84 days are 2 a week; one 85 days ago does not count."""
    assert catch_up(ines).capacity_per_week == 18
    unit = yard.line("K13").unit
    for step, days in enumerate([85, *[10] * 24]):
        Job.objects.create(
            code=f"J{step}", unit=unit, vehicle=yard.line("K13").vehicle, state=Job.State.HANDED_BACK,
            done_on=datetime.date(2026, 3, 2) - datetime.timedelta(days=days),
        )  # fmt: skip
    found = catch_up(ines)
    assert found.capacity_per_week == 2
    assert found.capacity_from == "24 jobs closed in the last 12 weeks"


def test_without_room_it_is_never_caught_up(yard, foreman):
    page = foreman.get("/catch-up?capacity=0").content.decode()
    assert "Cannot say when: never caught up" in page
    assert "K40-TB6" in page


def test_a_capacity_that_is_none_is_told(foreman):
    page = foreman.get("/catch-up?capacity=-3").content.decode()
    assert "greater than or equal to 0" in page


def test_the_file_holds_the_queue(yard, other_yard, foreman):
    LastService.objects.filter(unit__code="Z01-TB6").delete()
    other_yard.run()
    rows = list(csv.DictReader(io.StringIO(foreman.get("/catch-up.csv").getvalue().decode())))
    assert [(row["unit"], row["week"], row["run_km"]) for row in rows] == [("K40-TB6", "1", "100000.0")]


def test_the_due_list_links_to_both(foreman):
    page = foreman.get("/due").content.decode()
    assert 'href="/what-if"' in page
    assert 'href="/catch-up"' in page
