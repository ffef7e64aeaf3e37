"""What stands on the demo depot's day 0; the depot and its figures are invented, the sums behind them are not."""

import datetime

import pytest

from notifications.models import Mail
from shop.models import ChangeRecord, DueLine, ProposedLine, Reading, StateChange, Unit
from shop.selectors.due import needs_action, states_of
from shop.selectors.exchange import plans_for_units
from tests.lines import told_line

# Vehicle → (place in the interval in %, state, falls due, clock); worked out apart from this code from rate and limit.
HEADLINES = {
    "K01-TB6": (95.0, "window open", "2026-03-22", "distance"),
    "K02-TB6": (117.5, "late", None, "distance"),
    "K03-TB6": (92.5, "window open", "2026-04-01", "distance"),
    "K04-TB6": (106.5, "due", None, "distance"),
    "K05-TB6": (68.3, "not yet", "2026-07-20", "distance"),
    "K06-TB6": (93.7, "window open", "2026-03-29", "distance"),
    "K07-TB6": (21.0, "not yet", "2027-04-29", "distance"),
    "K08-TB6": (102.2, "due", None, "distance"),
    "K09-TB6": (111.5, "late", None, "distance"),
    "K11-SG6": (102.4, "due", "2026-01-18", "time"),
    "K12-SG6": (16.2, "not yet", "2028-09-01", "distance"),
    "K16-VB2": (63.6, "not yet", "2026-08-31", "distance"),
    "K17-VB2": (91.4, "window open", "2026-04-11", "distance"),
    "K19-TB6": (97.7, "window open", "2026-03-09", "distance"),
    "K22-HA7": (98.8, "window open", "2026-03-05", "hours"),
    "K23-HA7": (76.7, "not yet", "2026-05-13", "hours"),
    "K27-BA5": (98.1, "window open", "2026-03-10", "distance"),
    "K31-HA7": (99.0, "window open", "2026-03-13", "time"),
    "K32-HA7": (63.3, "not yet", "2027-04-08", "time"),
    "K33-HA7": (97.3, "window open", "2026-03-14", "hours"),
    "K36-HA5": (98.5, "window open", "2026-03-21", "distance"),
    "K37-HA5": (58.0, "not yet", "2027-11-06", "time"),
    "K38-HS1": (95.5, "window open", "2026-04-04", "hours"),
    "K39-HS1": (84.4, "not yet", "2026-04-13", "time"),
}


def line(unit: str, subject: str = "fluid") -> DueLine:
    return told_line(unit__code=unit, rule__subject=subject)


@pytest.mark.usefixtures("depot_run")
def test_states_of_all_lines() -> None:
    assert DueLine.objects.count() == 200
    assert states_of(DueLine.objects.all()) == {
        "late": 2, "due": 4, "window open": 20, "not yet": 173, "cannot say": 1,
    }  # fmt: skip


@pytest.mark.usefixtures("depot_run")
def test_headline_units_stand_where_rate_and_limit_put_them() -> None:
    for unit, (percent, state, due_on, clock) in HEADLINES.items():
        own = line(unit)
        assert (round(100 * own.used_share, 1), own.state, own.clock) == (percent, state, clock), unit
        if due_on is not None:
            assert own.due_on == datetime.date.fromisoformat(due_on), unit


@pytest.mark.usefixtures("depot_run")
def test_overlays_lie_over_the_state_and_change_nothing() -> None:
    laid = {(own.unit.code, own.state): own.overlays for own in DueLine.objects.all() if own.overlays}
    assert laid == {
        ("K08-TB6", "due"): ["must not move"],
        ("K17-VB2", "window open"): ["on hold"],
        ("K21-TB6", "window open"): ["leaving"],
        ("K31-HA7", "window open"): ["after season"],
        ("K33-HA7", "window open"): ["after season"],
    }


@pytest.mark.usefixtures("depot_run")
def test_lines_explain_themselves() -> None:
    assert (
        line("K03-TB6").sentence
        == "55 500 of 60 000 km since 24 Feb 2025; 150 km/day → 1 Apr (27 Mar – 6 Apr)"
    )
    assert "65 414 km of it carried over" in line("K02-TB6").sentence
    assert "reading 45 days old" in line("K06-TB6").sentence
    assert line("K40-RT55").sentence == "cannot say: no history of the fluid"
    assert line("K26-HA7", "outside filters").used_share == pytest.approx(1.025)


@pytest.mark.usefixtures("depot_run")
def test_odd_readings_are_kept_asked_about_and_not_believed() -> None:
    asked = {own.raw_text: own for own in Reading.objects.filter(status="asked")}
    assert set(asked) == {"51807", "61830"}
    assert asked["51807"].guess_value == pytest.approx(5180.7)
    # 1 mile = 1.609344 km exactly (international yard and pound agreement of 1959).
    assert asked["61830"].guess_value == pytest.approx(61830 / 1.609344)
    assert all(own.true_total is None for own in asked.values())


@pytest.mark.usefixtures("depot_run")
def test_ordering_list_pools_before_it_packs() -> None:
    own = ProposedLine.objects.get(product__code="F01")
    assert own.facts["mean_l"] == pytest.approx(61.82, abs=0.01)
    assert own.facts["sd_l"] == pytest.approx(10.87, abs=0.01)
    assert own.need_l == pytest.approx(79.70, abs=0.03)
    assert own.free_l == 23.0
    assert own.net_l == pytest.approx(56.7, abs=0.03)
    assert [(pack["count"], pack["printed"]) for pack in own.facts["packs"]] == [(1, "60 L")]
    assert float(own.cost) == 429.00
    assert own.when == "order today"


@pytest.mark.usefixtures("depot_run")
def test_quarantine_opened_packs_and_banned_reservations_do_not_count_as_free() -> None:
    lines = {own.product.code: own for own in ProposedLine.objects.select_related("product")}
    assert lines["F05"].free_l == 20.0
    assert lines["F05"].facts["shelf"]["quarantined_l"] == 20.0
    assert (lines["F05"].need_l, lines["F05"].order_l) == (pytest.approx(37.2), 20.0)
    assert [(pack["count"], pack["printed"]) for pack in lines["F15"].facts["packs"]] == [(2, "20 L")]
    assert lines["F01"].facts["shelf"]["past_use_by_l"] == pytest.approx(2.6)
    (blocked,) = lines["F01"].facts["blocked"]
    assert blocked["unit"] == "K14-VB2"


@pytest.mark.usefixtures("depot_run")
def test_one_mail_each_with_the_worst_first() -> None:
    mails = list(Mail.objects.order_by("to_address"))
    assert [mail.to_address.split("@")[0] for mail in mails] == ["ines", "mara", "petra"]
    assert all(mail.state == "sent" for mail in mails)
    body = mails[0].text.splitlines()
    assert len(body) <= 32
    marks = [
        "MUST NOT MOVE",
        "LATE",
        "DUE",
        "WINDOW OPEN",
        "OPEN, LATER",
        "ORDER BEFORE 14:00",
        "ASKS",
        "WASTE",
    ]
    places = [next(place for place, text in enumerate(body) if text.startswith(mark)) for mark in marks]
    assert places == sorted(places)


def test_second_run_writes_nothing(depot_run: datetime.date) -> None:
    from notifications.services.daily import daily_run
    from shop.models import Depot

    before = list(DueLine.objects.order_by("pk").values()) + list(
        ProposedLine.objects.order_by("pk").values()
    )
    counts = [model.objects.count() for model in (Mail, StateChange, ChangeRecord)]
    for again in (False, True):
        for depot in Depot.objects.all():
            daily_run(depot, depot_run, is_again=again)
    after = list(DueLine.objects.order_by("pk").values()) + list(ProposedLine.objects.order_by("pk").values())
    assert after == before
    assert [model.objects.count() for model in (Mail, StateChange, ChangeRecord)] == counts


@pytest.mark.usefixtures("depot_run")
def test_needs_action_leaves_out_what_is_not_yet() -> None:
    assert needs_action(DueLine.objects.all()).count() == 27


@pytest.mark.usefixtures("depot_run")
def test_every_unit_has_a_plan_with_its_range_or_says_why_not() -> None:
    units = list(Unit.objects.select_related("unit_model__product"))
    plans = plans_for_units(units)
    assert len({unit.unit_model.code for unit in units}) == 20
    for unit in units:
        plan = plans[unit.pk]
        if plan.best is None:
            assert plan.cannot_say
            continue
        assert plan.spread.share.low < plan.best.fresh_share < plan.spread.share.high < 1.0
        assert plan.spread.reserve_l.low < plan.best.total_to_reserve_l < plan.spread.reserve_l.high
        # A range wider than a third either way would say nothing (common practice, no source).
        assert plan.spread.reserve_l.sd < 0.17 * plan.best.total_to_reserve_l
