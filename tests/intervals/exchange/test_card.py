import math
from dataclasses import replace

import pytest

from intervals.errors import CardError, QuantityError
from intervals.exchange.card import STOP_RULES, UnitCard, check_card, stage_limit, start_check


def test_a_consistent_card_passes_and_knows_its_parts(tb6):
    check_card(tb6)
    assert tb6.has_compartments
    assert not replace(tb6, swirl_l=None).has_compartments
    assert not UnitCard(2.4, 2.3).has_compartments


def test_a_card_can_be_a_key_although_it_carries_sources(tb6):
    assert len({tb6: 1, replace(tb6, total_fill_l=11.25): 2}) == 2


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"total_fill_l": math.nan}, "Total fill is not a number"),
        ({"total_fill_l": 0.0}, "Total fill is 0"),
        ({"total_fill_l": 11.3}, "add up to 11.20 L but the total fill is 11.30"),
        ({"quick_drain_l": -3.6}, "below zero"),
        ({"quick_drain_l": 6.4}, "Quick drain of 6.4 L is more than overnight drain"),
        ({"overnight_drain_l": 12.0}, "Overnight drain of 12 L is more than total fill"),
        ({"overnight_drain_l": 7.0}, "more than the sump and what drains back"),
        ({"quick_drain_l": 4.3}, "more than the sump of 4 L can give"),
        ({"sump_l": 12.0}, "Sump of 12 L is more than total fill"),
        ({"pickup_l": 4.5}, "Pickup of 4.5 L is more than sump"),
        ({"pickup_l": 3.8}, "leave nothing of the sump"),
        ({"heel_l": 4.5}, "Heel of 4.5 L"),
        ({"converter_drainback_l": 3.5}, "Converter drainback of 3.5 L is more than converter"),
        ({"ml_per_mm": 0.0}, "mL per mm|Ml per mm"),
        ({"turnover": 5.0}, "Turnover"),
    ],
)
def test_a_contradicting_card_is_refused_with_one_sentence(tb6, change, words):
    with pytest.raises(CardError, match=words) as caught:
        check_card(replace(tb6, **change))
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("name", ["sump_l", "converter_l", "passages_l"])
def test_a_part_next_to_nothing_is_refused_with_what_to_do(tb6, name):
    def with_part(litres):
        change = {"converter_drainback_l": 0.0, "passages_drainback_l": 0.0, "heel_l": 0.0, "pickup_l": 0.0}
        change |= {"swirl_l": 0.0, "quick_drain_l": None, "overnight_drain_l": None, name: litres}
        change["total_fill_l"] = 11.2 - getattr(tb6, name) + litres
        return replace(tb6, **change)

    check_card(with_part(0.05))
    with pytest.raises(CardError, match=r"too little of .* add it to another part, or leave the parts empty"):
        check_card(with_part(0.02))


# Reference calculation.
def test_stage_limit_of_the_reference_unit(tb6):
    limit = stage_limit(tb6)
    assert (limit.litres, limit.seconds, limit.source) == (2.0, 48.0, "card")
    assert stage_limit(tb6, short_l=0.35).litres == 1.75


# Reference calculation: sump and pickup unknown.
def test_stage_limit_without_sump_and_pickup_is_a_marked_guess(tb6):
    limit = stage_limit(replace(tb6, pickup_l=None))
    assert (limit.litres, limit.source) == (0.75, "guess")
    assert stage_limit(UnitCard(30.0, 20.0)).litres == 1.0
    assert stage_limit(UnitCard(30.0)).litres == 0.0


def test_seconds_and_the_jug_bind_too(tb6):
    assert stage_limit(replace(tb6, cooler_flow_l_min=1.5)).litres == 1.5
    assert stage_limit(replace(tb6, cooler_flow_l_min=1.5, pump_seconds_cap=120.0)).litres == 2.0
    assert stage_limit(replace(tb6, jug_capacity_l=1.3)).litres == 1.25
    assert stage_limit(replace(tb6, cooler_flow_l_min=None)).seconds is None
    assert stage_limit(tb6, short_l=2.3).litres == 0.0


# Reference calculation.
def test_start_check_after_an_overnight_drain(tb6):
    full = start_check(tb6, 6.1)
    assert full.ok
    assert (full.in_sump_l, full.needed_l) == pytest.approx((4.0, 1.7))
    short = start_check(tb6, 3.6)
    assert not short.ok
    assert short.in_sump_l == pytest.approx(1.5)
    assert short.least_pour_l == pytest.approx(3.8)
    assert "Do not start" in short.sentence
    assert start_check(tb6, 3.8).ok
    assert not start_check(tb6, 3.79).ok


def test_start_check_without_parts_wants_everything_back():
    card = UnitCard(10.0, 4.0, 6.0)
    assert start_check(card, 6.0).ok
    assert start_check(card, 5.9).in_sump_l is None
    assert not start_check(card, 5.9).ok
    assert start_check(card, 5.9, drained_l=5.8).ok
    with pytest.raises(CardError, match="litres that came out"):
        start_check(UnitCard(10.0, 4.0), 4.0)


def test_unusable_pours_are_refused(tb6):
    with pytest.raises(QuantityError, match="poured"):
        start_check(tb6, math.nan)
    with pytest.raises(QuantityError, match="short"):
        stage_limit(tb6, -0.1)


def test_stop_rules_name_every_reason_to_stop():
    text = " ".join(STOP_RULES).lower()
    assert all(word in text for word in ("litres", "bubbles", "surging", "whines", "seconds", "20 seconds"))
