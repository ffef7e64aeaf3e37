"""One product out of jug, drum or tank: the sizes it is sold in, at its litres a year, with figures to change."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shop.errors import InputError
from shop.models import Pack, Person, Product
from shop.planning.pack_costs import Comparison, Container, compare_containers
from shop.selectors.bench_request import Rates
from shop.selectors.fleet_use import fleet_use
from shop.selectors.fluid_use import scope_of

BY_HAND_L = 30.0
"""Up to this size a pack is lifted and poured by hand; above, it stands and is pumped. Common practice, no source."""

CAUTIONS = (
    "Use-by and opened life on the maker's label win over the months on record.",
    "Stored oil, coolant and brake fluid need a bund by local rules; ask before a drum or a tank is set up.",
    "One pump and one line for one fluid; label both.",
)


@dataclass(frozen=True, slots=True)
class PacksAsked:
    """The figures behind the comparison; the defaults are common practice, no source.

    litres_per_year: None takes what the units use. Small: poured by hand; large: pumped. minutes a litre, money lost a
    litre, money a year for stand, pump and bund. A tank is compared only if its size and price are typed.
    """

    litres_per_year: float | None = None
    labour_per_h: float = Rates().labour_per_h
    small_minutes: float = 1.5
    small_loss: float = 0.04
    large_minutes: float = 0.5
    large_loss: float = 0.12
    large_fixed: float = 240.0
    tank_l: float | None = None
    tank_price_per_l: float | None = None
    tank_minutes: float = 0.3
    tank_loss: float = 0.02
    tank_fixed: float = 900.0


RANGES: Mapping[str, tuple[float, float]] = {
    "litres_per_year": (0.1, 1_000_000.0),
    "labour_per_h": (0.0, 10_000.0),
    "small_minutes": (0.0, 60.0),
    "small_loss": (0.0, 1_000.0),
    "large_minutes": (0.0, 60.0),
    "large_loss": (0.0, 1_000.0),
    "large_fixed": (0.0, 100_000.0),
    "tank_l": (1.0, 100_000.0),
    "tank_price_per_l": (0.01, 10_000.0),
    "tank_minutes": (0.0, 60.0),
    "tank_loss": (0.0, 1_000.0),
    "tank_fixed": (0.0, 100_000.0),
}
"""What may be asked, by field."""


@dataclass(frozen=True, slots=True)
class Point:
    """What a year costs at so many litres."""

    litres: float
    cost: float


@dataclass(frozen=True, slots=True)
class SizeShown:
    """One size in the comparison.

    sum_words: how its money a year comes about. line: its cost from no litres over those that empty it in time, where
    that is known, to the end of the picture.
    """

    label: str
    size_l: float
    price_per_l: float
    cost_per_l: float
    fixed_per_year: float
    cost: float
    least_l_per_year: float
    thrown_away_l: float
    is_emptied: bool
    is_best: bool
    break_even_l: float | None
    from_l: float | None
    sum_words: str
    line: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class PackChoiceShown:
    """The comparison of a product's sizes, or why there is none.

    litres_from: where the litres a year come from. units, units_unknown: units behind them, and those of which nothing
    can be said. opened_life_months: None is not known.
    """

    product: str
    name: str
    asked: PacksAsked
    litres_per_year: float | None
    litres_from: str
    units: int
    units_unknown: int
    opened_life_months: int | None
    rows: tuple[SizeShown, ...]
    sentence: str
    cannot_say: str
    currency: str
    cautions: tuple[str, ...] = CAUTIONS


def packs_compared(person: Person, product: Product, asked: PacksAsked) -> PackChoiceShown:
    """Compare the sizes a product is sold in at its litres a year.

    Raises InputError for a figure out of its range, half a tank, or a person without a depot.
    """
    check_asked(asked)
    depots, _, currency = scope_of(person)
    a_year = fleet_use(depots, product).year_l(product)
    known = a_year[~np.isnan(a_year)].tolist()
    litres, litres_from = asked.litres_per_year, "typed"
    if litres is None:
        litres = sum(known) or None
        litres_from = (
            f"services and top-ups of {len(known)} unit{'s' if len(known) != 1 else ''} at the present use"
        )
    containers = _containers(product, asked)
    shown = {
        "product": product.code, "name": product.name, "asked": asked, "litres_per_year": litres,
        "litres_from": litres_from, "units": len(a_year), "units_unknown": len(a_year) - len(known),
        "opened_life_months": product.opened_life_months, "currency": currency,
    }  # fmt: skip
    if litres is None:
        text = f"No unit in your depots is known to use {product.code}; type the litres a year."
        return PackChoiceShown(**shown, rows=(), sentence="", cannot_say=text)
    if not containers:
        text = f"No pack of {product.code} has a price; add one to packs.csv."
        return PackChoiceShown(**shown, rows=(), sentence="", cannot_say=text)
    found = compare_containers(containers, litres, asked.labour_per_h)
    end_l = _end_l(found)
    rows = tuple(
        SizeShown(
            row.container.label, row.container.size_l, row.container.price_per_l, row.cost_per_l,
            row.container.fixed_per_year, row.cost, row.container.least_l_per_year, row.thrown_away_l,
            row.is_emptied, row is found.best, row.break_even_l, row.from_l,
            _sum(row.container, litres, asked.labour_per_h, row.thrown_away_l),
            _line(row.container, end_l, asked.labour_per_h),
        )
        for row in found.rows
    )  # fmt: skip
    sentence = found.reason
    if found.runner_up is not None:
        more = f"{found.runner_up.cost - found.best.cost:,.0f} {currency}".replace(",", "\u202f").strip()
        sentence += f" Next comes {found.runner_up.container.label}, {more} a year more."
    if product.opened_life_months is None:
        sentence += " Its opened life is not on record, so nobody can say whether a size is emptied in time."
    elif product.opened_life_months == 0:
        sentence += (
            " Once opened it is used at once or goes to waste: the smallest pack that fits the job is right."
        )
    return PackChoiceShown(**shown, rows=rows, sentence=sentence, cannot_say="")


def check_asked(asked: PacksAsked) -> None:
    """Refuse figures out of their range and half a tank, each with its field."""
    wrong: dict[str, str] = {}
    for name, (low, high) in RANGES.items():
        value = getattr(asked, name)
        if value is not None and not low <= value <= high:
            wrong[name] = f"{value:g} cannot be used; write {low:g} to {high:g}."
    if (asked.tank_l is None) != (asked.tank_price_per_l is None):
        missing = "tank_l" if asked.tank_l is None else "tank_price_per_l"
        wrong.setdefault(missing, "A tank needs both its size and its price a litre.")
    if wrong:
        raise InputError(next(iter(wrong.values())), fields=wrong)


def _containers(product: Product, asked: PacksAsked) -> list[Container]:
    """Return each size once, at its cheapest supplier, and the tank if it was typed."""
    cheapest: dict[float, Pack] = {}
    for pack in (
        Pack.objects.filter(product=product, price__gt=0).select_related("supplier").order_by("price")
    ):
        cheapest.setdefault(pack.size_l, pack)
    made = []
    for size_l, pack in sorted(cheapest.items()):
        is_small = size_l <= BY_HAND_L
        made.append(
            Container(
                f"{pack.printed}, {pack.supplier.name}",
                size_l,
                float(pack.price) / size_l,
                asked.small_minutes if is_small else asked.large_minutes,
                asked.small_loss if is_small else asked.large_loss,
                0.0 if is_small else asked.large_fixed,
                product.opened_life_months,
            )
        )
    if asked.tank_l is not None and asked.tank_price_per_l is not None:
        made.append(
            Container(
                f"tank, {asked.tank_l:g} L", asked.tank_l, asked.tank_price_per_l, asked.tank_minutes, asked.tank_loss,
                asked.tank_fixed, product.opened_life_months,
            )
        )  # fmt: skip
    return made


def _end_l(found: Comparison) -> float:
    """Return where the picture ends: past the litres of today and the next size that would pay."""
    near = [row.from_l for row in found.rows if row.from_l and row.from_l <= 4 * found.litres_per_year]
    return 1.25 * max(found.litres_per_year, *near, 1.0)


def _line(own: Container, end_l: float, labour_per_h: float) -> tuple[Point, ...]:
    least_l = own.least_l_per_year
    turns = [least_l] if 0 < least_l < end_l else []
    return tuple(Point(litres, own.cost_per_year(litres, labour_per_h)) for litres in (0.0, *turns, end_l))


def _sum(own: Container, litres: float, labour_per_h: float, thrown_away_l: float) -> str:
    per_l = f"{own.price_per_l:.2f} + {own.minutes_per_l:g} min × {labour_per_h:g}/60 + {own.loss_per_l:g}"
    told = f"{litres:.0f} L × ({per_l})"
    if own.fixed_per_year:
        told += f" + {own.fixed_per_year:g}"
    return told + (
        f" + {thrown_away_l:.0f} L thrown away × {own.price_per_l:.2f}" if thrown_away_l > 0 else ""
    )
