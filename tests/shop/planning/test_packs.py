"""Packs: reference tables, a mathematical fact, a MILP solver and plain enumeration."""

import random
from decimal import Decimal
from itertools import product
from math import ceil, inf

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.packs import Pack, choose_packs


def packs_of(*sizes_and_prices: tuple[float, str]) -> list[Pack]:
    return [Pack(size, Decimal(price), f"{size:g} L") for size, price in sizes_and_prices]


ATF = packs_of((1, "10.40"), (5, "44"), (20, "158"), (60, "429"), (208, "1340"))


def bought(choice) -> list[float]:
    return [pack.size_l for pack, count in choice.packs for _ in range(count)]


@pytest.mark.parametrize(
    ("need_l", "usable_l", "sizes", "price", "net"),
    [  # reference calculation
        (24.3, 0, [20, 5], "202.00", "202.0"),
        (46, 0, [20, 20, 5, 1], "370.40", "370.4"),
        (46, inf, [60], "429.00", "333.9"),
        (38.0, 0, [20, 20], "316.00", "316.0"),
        (38.0, inf, [60], "429.00", "279.6"),
        (56.7, inf, [60], "429.00", "406.6"),
    ],
)
def test_left_over_that_will_be_used_changes_the_best_pack(need_l, usable_l, sizes, price, net):
    choice = choose_packs(need_l, ATF, usable_l)
    assert choice.status == "chosen"
    assert bought(choice) == sizes
    assert choice.price == Decimal(price)
    assert choice.net_price.quantize(Decimal("0.1")) == Decimal(net)
    assert choice.left_over_l == pytest.approx(sum(sizes) - need_l)


@pytest.mark.parametrize(
    ("need_l", "cost", "sizes"),
    [  # reference calculation: unbounded covering recursion
        (4, 35, [5]),
        (7, 53, [5, 1, 1]),
        (19, 120, [20]),
        (23, 147, [20, 1, 1, 1]),
        (37, 240, [20, 20]),
        (41, 249, [20, 20, 1]),
        (58, 330, [60]),
        (78, 450, [60, 20]),
        (100, 570, [60, 20, 20]),
    ],
)
def test_covering_table_is_met(need_l, cost, sizes):
    choice = choose_packs(need_l, packs_of((1, "9"), (5, "35"), (20, "120"), (60, "330")))
    assert (choice.price, bought(choice)) == (Decimal(cost), sizes)


def test_exact_totals_agree_with_the_frobenius_number():
    # Frobenius number of {6, 9, 20} is 43 (textbook example, from memory): 43 cannot
    # be made, everything above it can. With the price equal to the size the cheapest cover is the least total.
    packs = packs_of((6, "6"), (9, "9"), (20, "20"))
    assert choose_packs(43, packs).total_l == 44
    for need_l in range(44, 65):
        assert choose_packs(need_l, packs).total_l == need_l


def test_pooled_before_packing():
    # Reference calculation: six jobs of 10.6 L.
    five_l = packs_of((5, "44"))
    assert choose_packs(6 * 10.6, five_l).total_l == 65
    assert 6 * choose_packs(10.6, five_l).total_l == 90


def test_random_covers_cost_the_same_as_the_milp_optimum():
    # Outside check: HiGHS through scipy.optimize.milp.
    draw = random.Random(20)
    for _ in range(60):
        kinds = draw.randint(1, 5)
        packs = [
            Pack(
                draw.choice([0.5, 1, 2, 4, 5, 20, 25, 60, 208]),
                Decimal(draw.randint(300, 90_000)) / 100,
                "p",
                m,
            )
            for m in (draw.choice([1, 1, 1, 2, 6]) for _ in range(kinds))
        ]
        need_l = draw.randint(1, 3000) / 10
        cost = np.array([float(p.price) * p.multiple for p in packs])
        lots = np.array([[p.size_l * p.multiple for p in packs]])
        answer = milp(
            cost,
            constraints=LinearConstraint(lots, lb=need_l),
            integrality=np.ones(kinds),
            bounds=Bounds(0, inf),
            options={"mip_rel_gap": 0},
        )
        assert answer.success
        assert float(choose_packs(need_l, packs).price) == pytest.approx(answer.fun, abs=1e-6)


def net_by_enumeration(need_l: float, packs: list[Pack], usable_l: float, most_l: float) -> float:
    """Least net price over all counts up to what one pack alone would need three times over."""
    best = inf
    ranges = [range(0, 3 * ceil(need_l / p.size_l) + 1, p.multiple) for p in packs]
    for counts in product(*ranges):
        total = sum(n * p.size_l for n, p in zip(counts, packs, strict=True))
        if need_l <= total <= most_l:
            price = 0.0
            for n, p in zip(counts, packs, strict=True):
                each = min([p.price, *(cost for least, cost in p.breaks if n >= least)])
                price += n * float(each)
            best = min(best, price - 0.95 * price / total * min(total - need_l, usable_l))
    return best


def test_random_choices_with_credit_breaks_and_limits_agree_with_enumeration():
    draw = random.Random(7)
    compared = 0
    for _ in range(150):
        packs = []
        for size in draw.sample([2, 3, 5, 7, 10], 3):
            price = Decimal(draw.randint(size * 60, size * 120)) / 10
            breaks = ((draw.randint(2, 4), price * Decimal("0.8")),) if draw.random() < 0.4 else ()
            packs.append(Pack(size, price, f"{size} L", draw.choice([1, 1, 2]), breaks))
        need_l = draw.randint(5, 18)
        usable_l = draw.choice([0, 1.5, 4, 40])
        most_l = draw.choice([inf, need_l + 3])
        expected = net_by_enumeration(need_l, packs, usable_l, most_l)
        choice = choose_packs(need_l, packs, usable_l, None if most_l == inf else most_l)
        if expected == inf:
            assert choice.status == "over limit"
            continue
        compared += 1
        assert float(choice.net_price) == pytest.approx(expected, abs=1e-6)
    assert compared > 100


def test_a_price_break_is_used_from_its_count():
    packs = [Pack(20, Decimal(158), "20 L", breaks=((3, Decimal(130)),))]
    assert choose_packs(40, packs).price == 316
    assert choose_packs(41, packs).price == 390


def test_multiples_are_kept_and_odd_sizes_never_come_out_short():
    # 1 US quart = 0.946352946 L (NIST Handbook 44, appendix C): ten are 9.464 L, one case holds six.
    quarts = [Pack(0.946352946, Decimal(12), "US qt", multiple=6)]
    choice = choose_packs(9.4, quarts)
    assert choice.packs[0][1] == 12
    assert choice.total_l == pytest.approx(11.356, abs=0.001)
    assert choose_packs(9.46, [Pack(0.946352946, Decimal(12), "US qt")]).total_l >= 9.46


def test_more_than_the_limit_is_bought_only_when_nothing_smaller_covers():
    only_drum = packs_of((208, "1340"))
    over = choose_packs(24, only_drum, usable_left_over_l=6, most_l=30)
    assert (over.status, bought(over)) == ("over limit", [208])
    assert "30.00 L" in over.reason
    within = choose_packs(24, packs_of((208, "100"), (20, "158")), usable_left_over_l=6, most_l=40)
    assert (within.status, bought(within)) == ("chosen", [20, 20])


@pytest.mark.parametrize(
    ("need_l", "packs", "status"),
    [
        (0.0, ATF, "need is zero"),
        (-3.0, ATF, "need is zero"),
        (5.0, [], "no packs"),
        (float("nan"), ATF, "cannot say"),
    ],
)
def test_nothing_to_choose_is_a_result_with_a_reason(need_l, packs, status):
    choice = choose_packs(need_l, packs)
    assert (choice.status, choice.packs, choice.price) == (status, (), 0)
    assert choice.reason


def test_impossible_packs_and_shares_are_refused():
    with pytest.raises(ValueError, match=r"0\.001 L"):
        Pack(0.0, Decimal(1), "nothing")
    with pytest.raises(ValueError, match="above zero"):
        Pack(1.0, Decimal(0), "free")
    with pytest.raises(ValueError, match="whole packs"):
        Pack(1.0, Decimal(1), "none at a time", multiple=0)
    with pytest.raises(ValueError, match="credit share"):
        choose_packs(1.0, ATF, credit_share=Decimal(1))
    with pytest.raises(ValueError, match="too fine"):
        choose_packs(90_000.0, packs_of((0.999, "1"), (1.0, "1")))
