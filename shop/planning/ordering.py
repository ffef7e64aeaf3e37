"""What to order today, from whom, in which packs, and by when at the latest."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from decimal import Decimal
from math import inf, isfinite
from typing import Literal

from shop.planning.demand import JobNeed, PooledNeed, first_day_short, jobs_that_fall, net_need_l
from shop.planning.packs import Pack, PackChoice, choose_packs
from shop.planning.suppliers import (
    Supplier,
    arrives_on,
    horizon_days,
    is_working_day,
    latest_order_day,
    working_days_back,
    working_days_forward,
)

__all__ = [
    "FluidShelf",
    "OrderLine",
    "Reason",
    "Supplier",
    "arrives_on",
    "horizon_days",
    "is_working_day",
    "latest_order_day",
    "propose_line",
    "working_days_back",
    "working_days_forward",
]

LIKELY_SHARE = 0.5
"""A job is named as falling, and sets the latest day to order, from this probability on. House default."""

When = Literal["order today", "this week", "can wait", "nothing to order", "cannot say"]


@dataclass(frozen=True, slots=True)
class FluidShelf:
    """Litres of one product in the store, as three deductions from what stands on the shelf.

    reserved_other_l: promised to jobs that are not in the pooled need. quarantined_l: blocked batches.
    past_use_by_l: past the use-by or the opened life on the day of use. No litre is in two of the three.
    """

    on_shelf_l: float
    reserved_other_l: float = 0.0
    quarantined_l: float = 0.0
    past_use_by_l: float = 0.0

    @property
    def free_l(self) -> float:
        """Litres that may be used; below zero when more is promised than there is."""
        return self.on_shelf_l - self.reserved_other_l - self.quarantined_l - self.past_use_by_l


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that shaped a line: a code for machines and a sentence for people."""

    code: str
    text: str

    def __str__(self) -> str:
        """The sentence."""
        return self.text


@dataclass(frozen=True, slots=True)
class OrderLine:
    """What to do about one product today.

    need_l: litres to have; net_l: litres short. packs: (pack, how many). cost: price of the packs;
    net_price: less the left-over that will be used. latest_order_day: last day that still serves the first
    job in danger, None when no job is. falls: likely jobs without fluid if nothing is ordered; missed: those
    that even this order reaches too late.
    """

    product: str
    when: When
    need_l: float
    free_l: float
    on_order_l: float
    net_l: float
    supplier: Supplier | None
    packs: tuple[tuple[Pack, int], ...]
    litres: float
    cost: Decimal
    net_price: Decimal
    left_over_l: float
    latest_order_day: date | None
    arrives_on: date | None
    cut_off: time | None
    jobs: tuple[JobNeed, ...]
    falls: tuple[JobNeed, ...]
    missed: tuple[JobNeed, ...]
    sentence: str
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class _Offer:
    supplier: Supplier
    choice: PackChoice
    arrives: date
    missed: tuple[JobNeed, ...]

    @property
    def rank(self) -> tuple[int, bool, Decimal, date, str]:
        over = self.choice.status == "over limit"
        return len(self.missed), over, self.choice.net_price, self.arrives, self.supplier.name


def propose_line(
    product: str,
    pooled: PooledNeed,
    shelf: FluidShelf,
    on_order_l: float,
    packs_by_supplier: Mapping[Supplier, Sequence[Pack]],
    today: date,
    now_time: time,
    usage_per_month_l: float | None = None,
    shelf_life_months: float | None = None,
    opened_life_months: float | None = None,
) -> OrderLine:
    """Propose the order line of one product.

    The supplier who reaches most of the jobs in danger wins, then the lower net price. Left-over counts for
    `usage*life - stock - need` litres at most, and for no more than is used within the opened life; the rest
    expires and is worth nothing. More than the first limit is bought only when no packs stay within it.

    product: its name. pooled: from `pool_need`. shelf: stock. on_order_l: on the way and in time.
    packs_by_supplier: packs with a price. today, now_time: when the list is looked at.
    usage_per_month_l: litres of this product used in a month, None when not known.
    shelf_life_months, opened_life_months: life left on delivery, sealed and opened, by label and
    maker's sheet; None when not known.
    Returns an OrderLine with its sentence and reasons. Raises ValueError where `choose_packs` does.
    """
    stock_l = shelf.free_l + on_order_l
    falls = tuple(job for job in jobs_that_fall(pooled.jobs, stock_l) if _is_likely(job))
    net_l = net_need_l(pooled.order_up_to_l, shelf.free_l, on_order_l)
    line = _blank_line(product, pooled, shelf, on_order_l, net_l, falls)
    if not isfinite(stock_l):
        text = f"{product}: cannot say; the stock is not known. Count the shelf and enter it."
        return replace(line, sentence=text)
    if net_l == 0:
        text = (
            f"{product}: nothing to order; {stock_l:.1f} L free or on the way, {line.need_l:.1f} L will do."
        )
        return replace(line, when="nothing to order", sentence=text)
    limits_l = _left_over_limits_l(net_l, stock_l, usage_per_month_l, shelf_life_months, opened_life_months)
    offers = [
        offer
        for supplier, packs in packs_by_supplier.items()
        if (offer := _offer(supplier, packs, net_l, limits_l, falls, today, now_time)).choice.packs
    ]
    if not offers:
        text = f"{product}: cannot say; {net_l:.1f} L short and no supplier has a pack with a price. Add one."
        return replace(line, sentence=text)
    if limits_l[1] is None:
        unknown = Reason("left_over_unknown", "Use or life not known: left-over counts as worth nothing.")
        line = replace(line, reasons=(*line.reasons, unknown))
    return _with_offer(line, min(offers, key=lambda offer: offer.rank), stock_l, today, now_time)


def _is_likely(job: JobNeed) -> bool:
    return (job.probability or 0.0) >= LIKELY_SHARE


def _left_over_limits_l(
    net_l: float,
    stock_l: float,
    usage_per_month_l: float | None,
    shelf_life_months: float | None,
    opened_life_months: float | None,
) -> tuple[float, float | None]:
    """Litres of left-over that will be used, and the most to buy (None when life or usage is not known)."""
    if usage_per_month_l is None or shelf_life_months is None:
        return 0.0, None
    cap_l = usage_per_month_l * shelf_life_months - stock_l
    opened_l = inf if opened_life_months is None else usage_per_month_l * opened_life_months
    return max(0.0, min(cap_l - net_l, opened_l)), max(cap_l, net_l)


def _reasons_about_input(pooled: PooledNeed, shelf: FluidShelf) -> list[Reason]:
    reasons = []
    if pooled.left_out:
        names = _names(pooled.left_out)
        reasons.append(Reason("left_out", f"Not counted, litres or probability not known: {names}."))
    if shelf.free_l < 0:
        text = f"{-shelf.free_l:.1f} L more are promised or blocked than stand there; check the reservations."
        reasons.append(Reason("over_reserved", text))
    if shelf.quarantined_l > 0:
        reasons.append(Reason("quarantined", f"{shelf.quarantined_l:.1f} L in quarantine do not count."))
    if shelf.past_use_by_l > 0:
        reasons.append(Reason("past_use_by", f"{shelf.past_use_by_l:.1f} L past their use-by do not count."))
    return reasons


def _blank_line(
    product: str,
    pooled: PooledNeed,
    shelf: FluidShelf,
    on_order_l: float,
    net_l: float,
    falls: tuple[JobNeed, ...],
) -> OrderLine:
    return OrderLine(
        product=product,
        when="cannot say",
        need_l=pooled.order_up_to_l,
        free_l=shelf.free_l,
        on_order_l=on_order_l,
        net_l=net_l,
        supplier=None,
        packs=(),
        litres=0.0,
        cost=Decimal(0),
        net_price=Decimal(0),
        left_over_l=0.0,
        latest_order_day=None,
        arrives_on=None,
        cut_off=None,
        jobs=pooled.jobs,
        falls=falls,
        missed=(),
        sentence="",
        reasons=tuple(_reasons_about_input(pooled, shelf)),
    )


def _offer(
    supplier: Supplier,
    packs: Sequence[Pack],
    net_l: float,
    limits_l: tuple[float, float | None],
    falls: tuple[JobNeed, ...],
    today: date,
    now_time: time,
) -> _Offer:
    arrives = arrives_on(today, now_time, supplier)
    missed = tuple(
        job for job in falls if working_days_back(job.needed_on, 1, supplier.closed_days) < arrives
    )
    return _Offer(supplier, choose_packs(net_l, packs, *limits_l), arrives, missed)


def _with_offer(line: OrderLine, offer: _Offer, stock_l: float, today: date, now_time: time) -> OrderLine:
    supplier, choice = offer.supplier, offer.choice
    short_on = line.falls[0].needed_on if line.falls else first_day_short(line.jobs, stock_l)
    latest = None if short_on is None else latest_order_day(short_on, supplier)
    when = _when(latest, today)
    filled = replace(
        line,
        when=when,
        supplier=supplier,
        packs=choice.packs,
        litres=choice.total_l,
        cost=choice.price,
        net_price=choice.net_price,
        left_over_l=choice.left_over_l,
        latest_order_day=latest,
        arrives_on=offer.arrives,
        cut_off=supplier.cut_off,
        missed=offer.missed,
        reasons=(*line.reasons, *_reasons_about_offer(offer, when, now_time)),
    )
    return replace(filled, sentence=_sentence(filled, supplier))


def _when(latest: date | None, today: date) -> When:
    """Urgency: a latest day within the seven days from today is `this week`, whatever the weekday."""
    if latest is None or latest >= today + timedelta(days=7):
        return "can wait"
    return "order today" if latest <= today else "this week"


def _reasons_about_offer(offer: _Offer, when: When, now_time: time) -> list[Reason]:
    supplier = offer.supplier
    reasons = [Reason(offer.choice.status.replace(" ", "_"), offer.choice.reason)]
    if when == "order today" and now_time >= supplier.cut_off:
        text = f"Cut-off {supplier.cut_off:%H:%M} has passed: it arrives on {_day(offer.arrives)}; ring them."
        reasons.append(Reason("cut_off_passed", text))
    if offer.missed:
        text = f"Too late for {_names(offer.missed)}: arrives {_day(offer.arrives)}; book later or borrow."
        reasons.append(Reason("too_late", text))
    return reasons


def _sentence(line: OrderLine, supplier: Supplier) -> str:
    packs = " + ".join(f"{count} × {pack.label}" for pack, count in line.packs)
    by = (
        "" if line.latest_order_day is None else f" by {_day(line.latest_order_day)} {supplier.cut_off:%H:%M}"
    )
    if line.when == "order today":
        by = f" before {supplier.cut_off:%H:%M} today"
    sums = (
        f"{line.need_l:.1f} L wanted, {line.free_l:.1f} L free, {line.on_order_l:.1f} L on the way, "
        f"{line.net_l:.1f} L short"
    )
    falls = f"; without it no fluid for {_names(line.falls)}" if line.falls else ""
    return f"{line.product}: order {packs} from {supplier.name}{by}, {line.cost:.2f}: {sums}{falls}."


def _names(jobs: Sequence[JobNeed]) -> str:
    return ", ".join(dict.fromkeys(job.unit_label for job in jobs))


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"
