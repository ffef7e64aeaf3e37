"""The worked tables of DEVELOPERS.md on fluids: which products, which packs, and the old one used up."""

import datetime

import pytest

from shop.planning.change_over import FillWithin, Lot, NextFill, in_a_row, use_up
from shop.planning.fewest import Taker, fewest
from shop.planning.pack_costs import Container, break_even_l
from shop.planning.shelf_levels import Keeping, OrderTerms, PacksWanted, best_watched_level, best_weekly_level
from tests.architecture.test_docs_tables import DAY, told

TAKERS = (
    Taker("bus", "A", {"A": 50, "C": 45}),
    Taker("truck", "B", {"B": 80, "C": 82}),
    Taker("van", "B", {"B": 20}),
)


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        ("bus: A 50, C 45; truck: B 80, C 82; van: B 20", {}),
        ("the same, never B", {"never": ["B"]}),
        ("the same, keep A", {"keep": ["A"]}),
    ],
)
def test_fewest(words: str, asked: dict[str, list[str]]) -> None:
    found = fewest(TAKERS, **asked)
    given = ", ".join(f"{taker.label} {found.given.get(taker.label, 'none')}" for taker in TAKERS)
    told(words, ", ".join(found.products), given)


def test_jug_or_drum() -> None:
    jug = Container("jug", 5, 44 / 5, 1.5, 0.04, 0.0, 12)
    drum = Container("drum", 208, 1340 / 208, 0.5, 0.12, 240.0, 12)
    even = break_even_l(jug, drum, 58.0)
    assert even is not None
    told(
        "5 L at 44, 1.5 min, loss 0.04",
        f"{jug.cost_per_l(58):.2f}",
        0,
        "",
        f"{jug.least_l_per_year:.0f} L/yr",
    )
    told(
        "208 L at 1 340, 0.5 min, loss 0.12", f"{drum.cost_per_l(58):.2f}", 240, f"{even:.0f} L/yr",
        f"{drum.least_l_per_year:.0f} L/yr",
    )  # fmt: skip


def test_shelf_levels() -> None:
    watched = best_watched_level(1.5, PacksWanted((3.0,), (1.0,)), Keeping(20, 150), OrderTerms(100))
    assert watched is not None
    told(
        "1.5 a time, lead 2, keeping 20, lacking 150, an order 100",
        f"order {watched.order_packs} when {watched.level} are left", f"{watched.cost:.2f}",
    )  # fmt: skip
    weekly = best_weekly_level(6, PacksWanted((6.0,), (1.0,)), Keeping(1, 4), OrderTerms(5))
    assert weekly is not None
    told(
        "6 a week, keeping 1, lacking 4, an order 5",
        f"up to {weekly.up_to} when {weekly.level} or fewer are left", f"{weekly.cost:.2f}",
    )  # fmt: skip


def test_jobs_in_a_row() -> None:
    spans = {"a": (0, 9), "b": (2, 4), "c": (4, 6), "d": (5, 8)}
    days = {label: [DAY + datetime.timedelta(days=own) for own in span] for label, span in spans.items()}
    rows = in_a_row([FillWithin(label, *span) for label, span in days.items()])
    told(
        ", ".join(f"{label} {first}–{last}" for label, (first, last) in spans.items()),
        "; ".join(
            f"by day {(last - DAY).days}: {', '.join(sorted(job.label for job in own))}"
            for last, own in rows.items()
        ),
    )


def test_the_old_fluid_used_up() -> None:
    lots = [Lot("first", 12, datetime.date(2026, 3, 9)), Lot("second", 20, datetime.date(2026, 6, 30))]
    fills = [
        NextFill("one", DAY.replace(day=5), 10), NextFill("two", DAY.replace(day=20), 18),
        NextFill("three", datetime.date(2026, 4, 1), 10), NextFill("four", datetime.date(2026, 4, 9), 2),
    ]  # fmt: skip
    for count, fill in enumerate(fills, start=1):
        found = use_up(lots, fills[:count])
        left = {own.label: own.litres for own in found.left}
        words = f"{fill.day.day} {fill.day:%b}, {fill.litres} L"
        remains = " + ".join(f"{left.get(label, 0):g}" for label in ("first", "second"))
        told(words, "old" if found.fills[-1].is_old else "new", f"{remains} L")
