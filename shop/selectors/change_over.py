"""A plan to change from one fluid to another: stock, jobs, rinsing, labels, reservations, steps with their days.

Shown only; nothing is changed by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, time, timedelta

from intervals.rules import add_months
from shop.errors import InputError
from shop.models import Depot, Fitting, OrderedLine, Person, Product, Reservation, StockItem
from shop.planning.change_over import Lot, NextFill, UsedUp, use_up
from shop.planning.suppliers import Supplier as SupplierFigures
from shop.planning.suppliers import latest_order_day
from shop.selectors.change_over_facts import ChangePlan, LotLeft, Reserved, ShelfUsed, UnitChange
from shop.selectors.change_over_purge import purges_of
from shop.selectors.change_over_steps import rinses_of, steps_of
from shop.selectors.fluid_fit import STRENGTH_WORDS, FitBook
from shop.selectors.fluid_use import DAYS_A_YEAR, UnitUse, scope_of, uses_of, usual_packs
from shop.selectors.shelf import is_usable, last_day

YEARS_AHEAD = 3
"""How far jobs are followed; stock that lasts longer is left over. House default."""

MOST_HOSES_L = 50.0


@dataclass(frozen=True, slots=True)
class _Shelf:
    """A shelf with the old fluid used up."""

    depot: Depot
    found: UsedUp
    shown: ShelfUsed
    items: tuple[StockItem, ...]


def replacements_for(person: Person, product: Product) -> list[Product]:
    """Return the products that fit at least one of the person's units filled with a product, by code.

    Raises InputError for a person without a depot.
    """
    depots, _, _ = scope_of(person)
    fitted = Fitting.objects.filter(
        removed_on__isnull=True,
        vehicle__depot__in=[depot.pk for depot in depots],
        unit__unit_model__product=product,
    )
    models = set(fitted.order_by().values_list("unit__unit_model", flat=True).distinct())
    book = FitBook()
    others = Product.objects.exclude(pk=product.pk).order_by("code")
    return [own for own in others if any(book.fit(own.pk, model_pk) for model_pk in models)]


def change_plan(person: Person, old: Product, new: Product, hoses_l: float | None = None) -> ChangePlan:
    """Plan how the units filled with one product change to another.

    hoses_l: litres that stay in the hoses of an exchange machine; None is not known.
    Raises InputError for one product twice, hoses out of range, or a person without a depot.
    """
    _check(old, new, hoses_l)
    depots, as_of, _ = scope_of(person)
    uses, book = uses_of(depots, as_of, old), FitBook()
    fits = {use.unit.unit_model_id: book.fit(new.pk, use.unit.unit_model_id) for use in uses}
    able = [use for use in uses if fits[use.unit.unit_model_id] is not None]
    shelves = [_shelf(depot, uses, able, old, as_of) for depot in _depots_with_shelf(depots)]
    units = tuple(
        sorted(
            (_unit_change(use, old, new, book, shelves) for use in uses),
            key=lambda own: (own.next_on or date.max, own.unit),
        )
    )
    first_new_on = min((own.shown.first_new_on for own in shelves if own.shown.first_new_on), default=None)
    order_by, supplier = _order_by(new, first_new_on, depots)
    basis = dict.fromkeys(
        f"{use.unit.unit_model.code}: {one.words}"
        for use in able
        if (fit := fits[use.unit.unit_model_id])
        for one in fit.bases
    )
    plan = ChangePlan(
        old.code, old.name, new.code, new.name, as_of, units, tuple(own.shown for own in shelves),
        tuple(one for own in shelves for one in _left(own, as_of)), rinses_of(able, old, hoses_l),
        _reserved(shelves, old), tuple(sorted(basis)), tuple(sorted({use.unit.unit_model.code for use in able})),
        tuple(sorted({own.unit_model for own in units if own.why_not})),
        sum(1 for own in units if not own.takes), first_new_on, order_by, supplier,
        purges_of(uses, units, new.code, first_new_on), (), "",
    )  # fmt: skip
    return replace(plan, steps=steps_of(plan), sentence=_told(plan, len(able)))


def looks_until(as_of: date) -> date:
    """Return the last day whose jobs a plan looks at."""
    return add_months(as_of, 12 * YEARS_AHEAD)


def _check(old: Product, new: Product, hoses_l: float | None) -> None:
    if old.pk == new.pk:
        text = f"{old.code} cannot be replaced by itself; choose another product."
        raise InputError(text, fields={"by": text})
    if hoses_l is not None and not 0 <= hoses_l <= MOST_HOSES_L:
        text = f"{hoses_l:g} L cannot stay in hoses; write 0 to {MOST_HOSES_L:g}."
        raise InputError(text, fields={"hoses_l": text})


def _depots_with_shelf(depots: Sequence[Depot]) -> list[Depot]:
    own = {(depot.stores_at or depot).pk: depot.stores_at or depot for depot in depots}
    return sorted(own.values(), key=lambda depot: depot.code)


def _serves(depot: Depot, use: UnitUse) -> bool:
    return (use.depot.stores_at_id or use.depot.pk) == depot.pk


def _shelf(
    depot: Depot, uses: Sequence[UnitUse], able: Sequence[UnitUse], old: Product, as_of: date
) -> _Shelf:
    """Use the old fluid of one shelf up; the units that have to stay with it take their part."""
    theirs = [use for use in uses if _serves(depot, use)]
    items = tuple(
        StockItem.objects.filter(depot=depot, product=old, on_shelf_l__gt=0)
        .select_related("product")
        .order_by("pk")
    )
    lots = [Lot(item.label, item.on_shelf_l, last_day(item)) for item in items if is_usable(item, as_of)]
    found = use_up(lots, [fill for use in theirs for fill in _fills(use, old, as_of)])
    usable_l = sum(lot.litres for lot in lots)
    rate = sum(use.year_l(old) or 0.0 for use in theirs)
    lasts = as_of + timedelta(days=min(usable_l / rate * DAYS_A_YEAR, 36_500.0)) if rate > 0 else None
    can_change = {use.unit.code for use in able}
    new_days = [own.fill.day for own in found.fills if not own.is_old and own.fill.label in can_change]
    coming = OrderedLine.objects.filter(depot=depot, product=old, is_open=True)
    shown = ShelfUsed(
        depot.code, usable_l, rate, lasts, found.last_old_on, min(new_days, default=None),
        sum(line.outstanding_l for line in coming),
    )  # fmt: skip
    return _Shelf(depot, found, shown, items)


def _fills(use: UnitUse, old: Product, as_of: date) -> list[NextFill]:
    """Return a unit's jobs in the years ahead."""
    litres = use.job_l(old)
    if litres is None or use.next_on is None:
        return []
    day = use.next_on
    if not use.fills_per_year:
        return [NextFill(use.unit.code, day, litres)]
    every = timedelta(days=max(1, round(DAYS_A_YEAR / use.fills_per_year)))
    end = min(looks_until(as_of), use.leaves_on or date.max)
    fills = []
    while day <= end:
        fills.append(NextFill(use.unit.code, day, litres))
        day += every
    return fills


def _unit_change(
    use: UnitUse, old: Product, new: Product, book: FitBook, shelves: Sequence[_Shelf]
) -> UnitChange:
    model = use.unit.unit_model
    fit, why_not = book.fit(new.pk, model.pk), ""
    if fit is None:
        lacking = f"{new.code} has not all the approvals {model.code} asks for"
        if book.asks_nothing(model.pk):
            lacking = f"no specification is on record for {model.code}"
        why_not = book.ban_in(new.pk, model.pk) or lacking
    shelf = next(own for own in shelves if _serves(own.depot, use))
    first = next((own for own in shelf.found.fills if own.fill.label == use.unit.code), None)
    takes = ""
    if first is not None:
        takes = old.code if first.is_old or why_not else new.code
    return UnitChange(
        use.unit.code, model.code, use.vehicle_number, use.next_on,
        use.job_l(new if takes == new.code else old), takes, ", ".join(first.lots) if first else "",
        STRENGTH_WORDS[fit.strength] if fit else "", why_not,
        book.ban_between(new.pk, use.in_it.pk if use.in_it else None) if fit else "",
    )  # fmt: skip


def _left(shelf: _Shelf, as_of: date) -> list[LotLeft]:
    """Return what no job takes: set aside or too old today, and what outlives its last day or the years ahead."""
    depot, left = shelf.depot.code, []
    for item in shelf.items:
        if not is_usable(item, as_of):
            reason = (
                "set aside in quarantine" if item.is_quarantined else "past its use-by or opened life today"
            )
            left.append(LotLeft(depot, item.label, item.on_shelf_l, last_day(item), as_of, reason))
    end = looks_until(as_of)
    for own in shelf.found.left:
        if own.day is not None and own.day < end:
            reason, act_on = "no job takes it before its last day", own.day
        else:
            reason = f"no job of the next {YEARS_AHEAD} years takes it"
            act_on = shelf.found.last_old_on or as_of
        left.append(LotLeft(depot, own.label, own.litres, own.day, act_on, reason))
    return left


def _reserved(shelves: Sequence[_Shelf], old: Product) -> tuple[Reserved, ...]:
    rows = Reservation.objects.filter(
        depot__in=[own.depot.pk for own in shelves], product=old, is_open=True
    ).select_related("unit")
    return tuple(
        Reserved(own.unit.code, own.litres, own.made_on) for own in rows.order_by("made_on", "unit__code")
    )


def _order_by(new: Product, needed_on: date | None, depots: Sequence[Depot]) -> tuple[date | None, str]:
    """Return the latest day to order the new fluid from the seller of its usual pack, and who that is."""
    pack = usual_packs().get(new.pk)
    if pack is None or needed_on is None:
        return None, ""
    row = pack.supplier
    closed = {day.day for day in row.closed_days.all()}
    closed |= {day.day for depot in _depots_with_shelf(depots) for day in depot.closed_days.all()}
    figures = SupplierFigures(row.name, row.lead_working_days, time.max, frozenset(closed))
    return latest_order_day(needed_on, figures), row.name


def _told(plan: ChangePlan, able: int) -> str:
    if not plan.units:
        return f"No unit in your depots is filled with {plan.old}, so there is nothing to change."
    if not able:
        return f"{plan.new} may go into none of the units filled with {plan.old}: {', '.join(plan.stays)}."
    told = f"{able} of {len(plan.units)} units change from {plan.old} to {plan.new}"
    if plan.first_new_on is None:
        return f"{told}; no job takes the new one in the next {YEARS_AHEAD} years."
    left_l = sum(own.litres for own in plan.left)
    over = f", {left_l:.1f} L of {plan.old} find no job" if left_l >= 0.05 else ""
    return f"{told}, the first job on {plan.first_new_on:%-d %B %Y}{over}."
