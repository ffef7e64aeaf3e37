"""The smallest product set: published covering problems, an independent solver, and trying every set."""

import itertools
import random

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.fewest import FewestSet, Taker, fewest

PRODUCTS = "ABCDEFG"


def blocks(lines) -> list[Taker]:
    return [
        Taker(str(place), None, {str(point): 100 for point in line})
        for place, line in enumerate(sorted(map(sorted, lines)))
    ]


def affine_plane() -> set[frozenset[tuple[int, ...]]]:
    """The 12 triples on 9 points, any two points in exactly one: the instance “stn9”."""
    points = list(itertools.product(range(3), repeat=2))
    return {
        frozenset((one, two, tuple((-x - y) % 3 for x, y in zip(one, two, strict=True))))
        for one, two in itertools.combinations(points, 2)
    }


def projective_space() -> set[frozenset[int]]:
    """The 35 lines on the 15 points of PG(3,2)."""
    return {frozenset((one, two, one ^ two)) for one, two in itertools.combinations(range(1, 16), 2)}


@pytest.mark.parametrize(
    ("lines", "least"),
    [
        (affine_plane(), 5),  # Fulkerson, Nemhauser and Trotter, Math. Programming Study 2 (1974), “stn9”
        (projective_space(), 7),  # Bose and Burton, J. Combinatorial Theory 1 (1966): a plane; from memory
    ],
)
def test_published_covering_problems(lines, least):
    found = fewest(blocks(lines))
    assert (len(found.products), found.is_proved) == (least, True)


def made_up(seed: int) -> tuple[list[Taker], list[str], list[str]]:
    chance = random.Random(seed)
    takers = []
    for number in range(chance.randint(1, 7)):
        own = chance.sample(PRODUCTS, chance.randint(1, 4))
        costs = {one: chance.choice([None, 0, 100, 100, 150, 275]) for one in own}
        today = chance.choice([*own, *own, None, "Z"])
        takers.append(Taker(f"T{number}", today, costs, chance.randint(1, 3)))
    keep = chance.sample(PRODUCTS, chance.choice([0, 0, 1]))
    never = chance.sample(PRODUCTS, chance.choice([0, 0, 0, 2]))
    return takers, keep, never


def by_trying_every_set(takers, keep, never):
    """Return the best (products, unpriced, cost, changed) there is, by looking at all of them."""
    allowed = [one for one in PRODUCTS if one not in never]
    served = [taker for taker in takers if set(taker.cost_cents) & set(allowed)]
    forced = set(keep) - set(never)
    best = None
    for size in range(len(allowed) + 1):
        for combination in itertools.combinations(allowed, size):
            chosen = set(combination)
            if not forced <= chosen or any(not chosen & set(taker.cost_cents) for taker in served):
                continue
            unpriced = cost = changed = 0
            for taker in served:
                own = [one for one in taker.cost_cents if one in chosen]
                product = taker.today if taker.today in own else None
                if product is None:
                    own.sort(key=lambda one: (taker.cost_cents[one] is None, taker.cost_cents[one] or 0, one))
                    product = own[0]
                    changed += taker.units
                unpriced += taker.units if taker.cost_cents[product] is None else 0
                cost += taker.cost_cents[product] or 0
            key = (size, unpriced, cost, changed)
            best = key if best is None or key < best else best
        if best is not None:
            break
    return best


def key_of(found: FewestSet):
    return (len(found.products), found.unpriced_units, found.cost_cents, found.changed_units)


@pytest.mark.parametrize("seed", range(400))
def test_no_set_of_any_size_is_better(seed):
    takers, keep, never = made_up(seed)
    found = fewest(takers, keep, never)
    assert found.is_proved
    assert key_of(found) == by_trying_every_set(takers, keep, never)
    assert not set(found.products) & set(never)
    assert set(keep) - set(never) <= set(found.products)
    for taker in takers:
        if taker.label in found.without:
            assert set(taker.cost_cents) <= set(never)
        else:
            assert found.given[taker.label] in set(taker.cost_cents) & set(found.products)


@pytest.mark.parametrize("seed", range(30))
def test_an_independent_solver_finds_the_same_size_on_larger_ones(seed):
    """scipy.optimize.milp (HiGHS): min sum y, each row covered."""
    chance = random.Random(seed)
    products = [f"P{number:02}" for number in range(24)]
    rows = [chance.sample(products, chance.randint(1, 5)) for _ in range(40)]
    found = fewest([Taker(str(place), None, dict.fromkeys(row, 1)) for place, row in enumerate(rows)])
    covers = np.array([[float(one in row) for one in products] for row in rows])
    solved = milp(
        np.ones(len(products)), constraints=LinearConstraint(covers, lb=1), integrality=1, bounds=Bounds(0, 1)
    )
    assert solved.status == 0
    assert found.is_proved
    assert len(found.products) == round(solved.fun)


def test_two_equally_small_sets_go_by_money_then_by_today():
    one = Taker("one", "A", {"A": 500, "B": 400, "C": 400})
    two = Taker("two", "C", {"A": 500, "B": 400, "C": 400})
    found = fewest([one, two])
    assert (found.products, found.changed_units, found.cost_cents) == (("C",), 1, 800)


def test_who_holds_a_product_of_the_set_is_not_moved_for_a_few_cents():
    light = Taker("light", "A", {"A": 500, "B": 400})
    heavy = Taker("heavy", "B", {"B": 400})
    assert fewest([light, heavy], keep=["A"]).given == {"light": "A", "heavy": "B"}


def test_what_nothing_serves_is_named_and_two_of_a_name_are_refused():
    assert fewest([Taker("none", "A", {})]).without == ("none",)
    with pytest.raises(ValueError, match="give each its own"):
        fewest([Taker("same", None, {"A": 1}), Taker("same", None, {"B": 1})])
