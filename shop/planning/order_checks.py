"""What a draft order adds up to, and what the supplier's terms say to it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal

from shop.planning.ordering import Reason
from shop.planning.packs import Pack
from shop.planning.suppliers import Supplier, arrives_on, is_working_day, working_days_forward


@dataclass(frozen=True, slots=True)
class PacksWanted:
    """So many packs of one size of one product."""

    product: str
    pack: Pack
    count: int

    @property
    def litres(self) -> float:
        """Litres in all of them."""
        return self.count * self.pack.size_l

    @property
    def cost(self) -> Decimal:
        """Their price."""
        return self.count * self.pack.price


@dataclass(frozen=True, slots=True)
class OrderCheck:
    """A draft held against the supplier's terms.

    refusals: what cannot be ordered so. below_minimum: what needs a reason, because the supplier may refuse it.
    notes: what is worth knowing before placing it.
    """

    litres: float
    cost: Decimal
    refusals: tuple[Reason, ...]
    below_minimum: tuple[Reason, ...]
    notes: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class OrderHour:
    """Until when an order counts as given on which day, and when it then comes.

    cut_off_on: the day whose cut-off is next. arrives_on: delivery of an order given before it; later_on: of one
    given after it.
    """

    cut_off_on: date
    cut_off: time
    arrives_on: date
    later_on: date


def check_order(supplier: Supplier, wanted: Sequence[PacksWanted]) -> OrderCheck:
    """Add a draft up and hold it against case sizes, minimum and free freight.

    supplier: his terms. wanted: rows with a count of 0 are passed over.
    """
    rows = [row for row in wanted if row.count]
    litres = sum(row.litres for row in rows)
    cost = sum((row.cost for row in rows), Decimal(0))
    refusals = [] if rows else [Reason("nothing", "Nothing is ordered; put a count to at least one pack.")]
    refusals += [_broken_case(row) for row in rows if row.count % row.pack.multiple]
    below = tuple(_below_minimum(supplier, litres, cost)) if rows else ()
    return OrderCheck(litres, cost, tuple(refusals), below, tuple(_freight(supplier, cost)) if rows else ())


def order_hour(supplier: Supplier, today: date, now_time: time) -> OrderHour:
    """Say which cut-off comes next and what it decides.

    supplier: his cut-off, lead and closed days. today, now_time: local day and hour at the depot.
    """
    day = today
    if now_time >= supplier.cut_off or not is_working_day(day, supplier.closed_days):
        day = working_days_forward(day, 1, supplier.closed_days)
    return OrderHour(
        cut_off_on=day,
        cut_off=supplier.cut_off,
        arrives_on=arrives_on(day, time.min, supplier),
        later_on=arrives_on(day, supplier.cut_off, supplier),
    )


def _broken_case(row: PacksWanted) -> Reason:
    several = row.pack.multiple
    less, more = row.count - row.count % several, row.count - row.count % several + several
    counts = f"{less} or {more}" if less else f"{more}"
    text = f"{row.product} {row.pack.label} comes in cases of {several}; order {counts}, not {row.count}."
    return Reason("broken_case", text)


def _below_minimum(supplier: Supplier, litres: float, cost: Decimal) -> Iterator[Reason]:
    if litres < supplier.minimum_l:
        short_l = supplier.minimum_l - litres
        text = f"{short_l:.1f} L below the minimum of {supplier.minimum_l:.0f} L; top up or wait."
        yield Reason("below_minimum_l", text)
    if cost < supplier.minimum_cost:
        short = supplier.minimum_cost - cost
        yield Reason(
            "below_minimum_cost",
            f"{short:.2f} below the minimum of {supplier.minimum_cost:.2f}; top up or wait.",
        )


def _freight(supplier: Supplier, cost: Decimal) -> Iterator[Reason]:
    if supplier.free_freight_from is not None and cost < supplier.free_freight_from:
        yield Reason(
            "below_free_freight", f"{supplier.free_freight_from - cost:.2f} more and freight is free."
        )
