"""Bulk tanks with their levels, dips and monthly balances; every dip at 15 °C by its fluid's own law."""

import datetime
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import QuerySet

from intervals.errors import HatchmarkError
from intervals.exchange.fluid_kinds import litres_at_base
from shop.models import BulkTank, Person, Product, TankDip
from shop.planning.bulk_tank import DIP_BASE_C, Shrink, TankVerdict, shrink, verdict_on
from shop.selectors.fluids import product_figures, table_strength
from shop.selectors.stock import shelves_seen

MONTHS = 12


@dataclass(frozen=True, slots=True)
class DipShown:
    """A dip with its litres at 15 °C and how far they are from the books; None where it cannot be said."""

    dip: TankDip
    litres_15: float | None
    off_l: float | None
    off_share: float | None


@dataclass(frozen=True, slots=True)
class TankMonth:
    """One month of a tank: from the last dip before it to the last dip in it. shrink: None with the reason why."""

    month: datetime.date
    opening_l: float | None
    delivered_l: float | None
    issued_l: float | None
    dip_l: float | None
    shrink: Shrink | None
    cannot_say: str


@dataclass(frozen=True, slots=True)
class TankShown:
    """A tank, its dips, the newest first, its months, the oldest first, and what they say together."""

    tank: BulkTank
    dips: tuple[DipShown, ...]
    months: tuple[TankMonth, ...]
    verdict: TankVerdict
    is_density_default: bool

    @property
    def last(self) -> DipShown | None:
        """The newest dip."""
        return self.dips[0] if self.dips else None


def at_15_c(product: Product, litres: float, temp_c: float | None) -> float:
    """Return litres at 15 °C of a product read at a temperature; without one they are taken as read.

    Oils by API MPMS 11.1 / ASTM D1250, coolant and brake fluid by their own laws. Raises QuantityError for a
    temperature outside the law.
    """
    if temp_c is None:
        return litres
    density = product_figures(product)[0].value
    strength = table_strength(product.strength_share)
    at_base = litres_at_base(product.family, litres, temp_c, strength, density)
    return at_base / litres_at_base(product.family, 1.0, DIP_BASE_C, strength, density)


def tanks_of(person: Person) -> QuerySet[BulkTank]:
    """Return the tanks on the shelves that serve a person's depots."""
    return BulkTank.objects.filter(item__depot__in=shelves_seen(person)).select_related(
        "item__depot", "item__product"
    )


def dips_of(person: Person) -> QuerySet[TankDip]:
    """Return the dips of those tanks."""
    return TankDip.objects.filter(tank__in=tanks_of(person)).select_related(
        "tank__item__product", "tank__item__depot", "dipped_by", "correction"
    )


def tanks_shown(tanks: Iterable[BulkTank]) -> list[TankShown]:
    """Return tanks with their dips and months, in one query more."""
    own = list(tanks)
    dips: dict[int, list[TankDip]] = defaultdict(list)
    for dip in (
        TankDip.objects.filter(tank__in=own)
        .select_related("dipped_by", "correction")
        .order_by("-dipped_at", "-pk")
    ):
        dips[dip.tank_id].append(dip)
    return [_shown(tank, dips[tank.pk]) for tank in own]


def _shown(tank: BulkTank, dips: Sequence[TankDip]) -> TankShown:
    product = tank.item.product
    shown = tuple(dip_shown(product, dip) for dip in dips)
    months = _months(shown, tank.item.depot.time_zone)[-MONTHS:]
    return TankShown(
        tank,
        shown,
        months,
        verdict_on([month.shrink for month in months]),
        product_figures(product)[0].is_default,
    )


def dip_shown(product: Product, dip: TankDip) -> DipShown:
    """Return a dip at 15 °C beside the books of its moment."""
    try:
        litres = at_15_c(product, dip.litres, dip.temp_c)
    except HatchmarkError:
        return DipShown(dip, None, None, None)
    if dip.book_l is None:
        return DipShown(dip, litres, None, None)
    off_l = litres - dip.book_l
    return DipShown(dip, litres, off_l, off_l / dip.book_l if dip.book_l > 0 else None)


def _months(dips: Sequence[DipShown], time_zone: str) -> tuple[TankMonth, ...]:
    zone = zoneinfo.ZoneInfo(time_zone)
    by_month: dict[datetime.date, list[DipShown]] = defaultdict(list)
    for own in reversed(dips):
        by_month[own.dip.dipped_at.astimezone(zone).date().replace(day=1)].append(own)
    found, before = [], None
    for month, inside in sorted(by_month.items()):
        # Without an earlier dip the month's own first one opens it.
        opening, counted = (before, inside) if before is not None else (inside[0], inside[1:])
        found.append(_month(month, opening, counted, inside[-1]))
        before = inside[-1]
    return tuple(found)


def _month(
    month: datetime.date, opening: DipShown, counted: Sequence[DipShown], closing: DipShown
) -> TankMonth:
    if not counted:
        return TankMonth(
            month, None, None, None, closing.litres_15, None, "No dip before this one to compare with."
        )
    delivered = [own.dip.delivered_l for own in counted if own.dip.delivered_l is not None]
    issued = [own.dip.issued_l for own in counted if own.dip.issued_l is not None]
    if len(delivered) < len(counted) or len(issued) < len(counted):
        return TankMonth(
            month, opening.litres_15, None, None, closing.litres_15, None,
            "What was delivered or issued since the dip before is not known.",
        )  # fmt: skip
    figures = (opening.litres_15, sum(delivered), sum(issued), closing.litres_15)
    if opening.litres_15 is None or closing.litres_15 is None:
        return TankMonth(month, *figures, None, "A dip's temperature lies outside its fluid's law.")
    gap = shrink(opening.litres_15, sum(delivered), sum(issued), closing.litres_15)
    return TankMonth(
        month, *figures, gap, "" if gap else "Nothing was issued by the books: a share of nothing is none."
    )
