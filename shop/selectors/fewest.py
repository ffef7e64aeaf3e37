"""The fewest products the fleet can do with: who would get what, on which approval, and what a year of it saves."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from shop.errors import InputError
from shop.models import Depot, Pack, Person, Product, StockItem, UnitModel
from shop.planning.fewest import FewestSet, Taker, fewest
from shop.planning.pack_costs import MONEY_AND_ROOM_SHARE_PER_YEAR
from shop.selectors.fewest_savings import Saving, Savings
from shop.selectors.fleet_use import FleetUse, codes_of, fleet_use, total
from shop.selectors.fluid_fit import STRENGTH_WORDS, STRENGTHS, Fit, FitBook
from shop.selectors.fluid_use import scope_of, usual_packs

CAUTIONS = (
    "What may go in is the unit maker's and the fluid supplier's word: get it in writing before anything changes. "
    "This page reads what was typed here.",
    "A warranty may hang on the exact specification, its edition and the wording on the pack.",
    "That no ban is on record does not prove that two fluids mix; coolants mix only as both labels say.",
)


@dataclass(frozen=True, slots=True)
class FewestAsked:
    """What the search may do.

    weakest: weakest approval accepted. is_rinse_accepted: a unit may change to a fluid that must not meet what is in
    it, after a rinse fill. keep, never: codes of products that stay whatever, or must not be used.
    keeping_share: what keeping stock costs a year, share of its value; what is thrown away is counted by itself.
    """

    weakest: str = "house"
    is_rinse_accepted: bool = False
    keep: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    keeping_share: float = MONEY_AND_ROOM_SHARE_PER_YEAR


@dataclass(frozen=True, slots=True)
class Move:
    """Units of one model that would get another product.

    litres_per_year: of the new product; None when it cannot be said. basis: what each requirement rests on.
    litres_unknown: units of which it cannot be said. rinse: why what is in them must be rinsed out first, empty when
    nothing is on record.
    """

    unit_model: str
    model_name: str
    units: tuple[str, ...]
    in_it: str
    old: str
    new: str
    new_name: str
    old_strength: str
    new_strength: str
    is_weaker: bool
    basis: tuple[str, ...]
    rinse: str
    litres_per_year: float | None
    litres_unknown: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """A product the fleet could do without; heirs: codes of those that take over."""

    code: str
    name: str
    moves: tuple[Move, ...]
    heirs: tuple[str, ...]
    litres_per_year: float
    saving: Saving
    sentence: str
    lost: str


@dataclass(frozen=True, slots=True)
class Only:
    """A product that is the only one for some units, so that it cannot go."""

    code: str
    name: str
    unit_models: tuple[str, ...]
    units: int


@dataclass(frozen=True, slots=True)
class NoneFits:
    """Units for which no product fits at the strength accepted, and why; they keep what they have."""

    unit_model: str
    units: tuple[str, ...]
    has_now: str
    reason: str


@dataclass(frozen=True, slots=True)
class Held:
    """A product on the shelf that no unit here is filled with; is_kept: False when it was not to be used."""

    code: str
    name: str
    litres: float
    is_kept: bool


@dataclass(frozen=True, slots=True)
class Fewest:
    """The answer: products today and after, what is dropped and added, and what stands in the way of fewer.

    moved: units that would change although their product stays, because for them it is not accepted. units_assumed:
    units of which no service says what is in them. units_unknown: units whose litres a year cannot be said.
    """

    as_of: date
    depots: tuple[str, ...]
    asked: FewestAsked
    today: tuple[str, ...]
    after: tuple[str, ...]
    dropped: tuple[Dropped, ...]
    moved: tuple[Move, ...]
    added: tuple[str, ...]
    only: tuple[Only, ...]
    none_fits: tuple[NoneFits, ...]
    held: tuple[Held, ...]
    units: int
    units_assumed: int
    units_unknown: int
    saving_per_year: float
    is_proved: bool
    steps: int
    currency: str
    sentence: str
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(slots=True, eq=False)
class Group:
    """Units of one model with one product in them; codes: of those that change or cannot."""

    use: FleetUse
    in_it: Product | None
    codes: tuple[str, ...] = ()
    fits: dict[str, Fit] = field(default_factory=dict)
    rinses: dict[str, str] = field(default_factory=dict)

    @property
    def model(self) -> UnitModel:
        """Their model."""
        return self.use.unit_model

    @property
    def label(self) -> str:
        """Name it."""
        return f"{self.model.code} with {self.in_it.code if self.in_it else 'nothing noted'}"

    @property
    def today(self) -> str | None:
        """The product its units are filled with."""
        return self.model.product.code if self.model.product else None

    def year_l(self, product: Product) -> float:
        """Return the litres of a product a year that are known."""
        return total(self.use.year_l(product))


def fewest_of(person: Person, asked: FewestAsked) -> Fewest:
    """Return the smallest set of products for every unit fitted in the person's depots.

    Raises InputError for a strength or a product that is not there, or a person without a depot.
    """
    products = {own.code: own for own in Product.objects.order_by("code")}
    check_asked(asked, products)
    depots, as_of, currency = scope_of(person)
    use = fleet_use(depots)
    book, packs = FitBook(), usual_packs()
    groups = _groups(use, book, list(products.values()), asked)
    shelf_l = _shelf_litres(depots)
    in_use = {group.today for group in groups if group.today}
    held = {code for code, litres in shelf_l.items() if litres > 0 and code not in in_use}
    takers = [_taker(group, products, packs) for group in groups]
    stuck = [group for group in groups if not set(group.fits) - set(asked.never)]
    stay = {group.today for group in stuck if group.today}
    found = fewest(takers, {*asked.keep, *held, *stay}, asked.never)
    _name_units(
        [
            group
            for group in groups
            if group in stuck or found.given.get(group.label, group.today) != group.today
        ]
    )
    dropped = _dropped(groups, found, products, Savings(products, packs, shelf_l, asked.keeping_share))
    moved = tuple(
        _move(group, products[found.given[group.label]])
        for group in groups
        if group.today in found.products and found.given.get(group.label, group.today) != group.today
    )
    saving = sum(one.saving.total for one in dropped)
    today = tuple(sorted(in_use | held))
    return Fewest(
        as_of, tuple(depot.code for depot in depots), asked, today, found.products, dropped, moved,
        tuple(code for code in found.products if code not in today), _only(groups, products),
        tuple(_none_fits(group, book, asked) for group in stuck),
        tuple(Held(code, products[code].name, shelf_l[code], code not in asked.never) for code in sorted(held)),
        len(use), int((~use.is_noted).sum()), int(use.is_unknown.sum()), saving,
        found.is_proved, found.steps, currency, _told(today, found, stuck, saving if dropped else None, currency),
    )  # fmt: skip


def check_asked(asked: FewestAsked, known: Mapping[str, Product]) -> None:
    """Refuse what cannot be used, each with its field."""
    wrong: dict[str, str] = {}
    if asked.weakest not in STRENGTHS:
        wrong["weakest"] = f"“{asked.weakest}” is no strength; choose one of {', '.join(STRENGTHS)}."
    for name, codes in (("keep", asked.keep), ("never", asked.never)):
        unknown = [code for code in codes if code not in known]
        if unknown:
            wrong[name] = f"There is no product “{unknown[0]}”; the stock page has the codes."
    both = sorted(set(asked.keep) & set(asked.never))
    if both:
        wrong["never"] = f"{both[0]} is to be kept and not to be used; choose one of the two."
    if not 0 <= asked.keeping_share <= 1:
        wrong["keeping_share"] = "The cost of keeping stock is a share of its value from 0 to 1."
    if wrong:
        raise InputError(next(iter(wrong.values())), fields=wrong)


def _groups(use: FleetUse, book: FitBook, products: Sequence[Product], asked: FewestAsked) -> list[Group]:
    by_pk = {own.pk: own for own in products}
    pairs = np.stack([use.model, np.nan_to_num(use.in_it)])
    kinds, kind = np.unique(pairs, axis=1, return_inverse=True)
    groups = [
        Group(use.of(np.flatnonzero(kind == place)), by_pk.get(int(in_it)))
        for place, in_it in enumerate(kinds[1])
    ]
    for group in groups:
        for fit in book.fits(group.model.pk, by_pk):
            if not fit.is_as_strong_as(asked.weakest):
                continue
            rinse = book.ban_between(fit.product_pk, group.in_it.pk if group.in_it else None)
            if rinse and not asked.is_rinse_accepted:
                continue
            code = by_pk[fit.product_pk].code
            group.fits[code], group.rinses[code] = fit, rinse
    return sorted(groups, key=lambda group: group.label)


def _name_units(groups: Sequence[Group]) -> None:
    codes = codes_of([group.use for group in groups])
    for group, own in zip(groups, codes, strict=True):
        group.codes = own


def _taker(group: Group, products: Mapping[str, Product], packs: Mapping[int, Pack]) -> Taker:
    costs: dict[str, int | None] = {}
    for code in group.fits:
        pack = packs.get(products[code].pk)
        price = None if pack is None else float(pack.price) / pack.size_l
        costs[code] = None if price is None else round(100 * price * group.year_l(products[code]))
    return Taker(group.label, group.today, costs, len(group.use))


def _shelf_litres(depots: Sequence[Depot]) -> dict[str, float]:
    shelves = {depot.stores_at_id or depot.pk for depot in depots}
    litres: dict[str, float] = defaultdict(float)
    rows = StockItem.objects.filter(depot__in=shelves, on_shelf_l__gt=0)
    for code, own in rows.values_list("product__code", "on_shelf_l"):
        litres[code] += own
    return dict(litres)


def _dropped(
    groups: Sequence[Group], found: FewestSet, products: Mapping[str, Product], savings: Savings
) -> tuple[Dropped, ...]:
    gone: dict[str, list[tuple[Group, str]]] = defaultdict(list)
    before_l: dict[str, float] = defaultdict(float)
    after_l: dict[str, float] = defaultdict(float)
    for group in groups:
        new = found.given.get(group.label, group.today)
        if group.today is not None:
            before_l[group.today] += group.year_l(products[group.today])
        if new is not None:
            after_l[new] += group.year_l(products[new])
        if group.today is not None and group.today not in found.products and new != group.today:
            gone[group.today].append((group, str(new)))
    flows = {code: _flows(code, own, products) for code, own in gone.items()}
    saved = savings.work_out(before_l, after_l, flows)
    return tuple(
        _one_dropped(products[code], own, products, saved[code]) for code, own in sorted(gone.items())
    )


def _flows(
    code: str, own: Sequence[tuple[Group, str]], products: Mapping[str, Product]
) -> list[tuple[str, float, float]]:
    """Return, for each product that takes over, the litres a year of the old and of the new."""
    flows = []
    for new in sorted({new for _, new in own}):
        theirs = [group for group, other in own if other == new]
        old_l = sum(group.year_l(products[code]) for group in theirs)
        flows.append((new, old_l, sum(group.year_l(products[new]) for group in theirs)))
    return flows


def _one_dropped(
    product: Product, own: Sequence[tuple[Group, str]], products: Mapping[str, Product], saving: Saving
) -> Dropped:
    moves = tuple(_move(group, products[new]) for group, new in own)
    litres = sum(group.year_l(product) for group, _ in own)
    weaker = sorted({move.unit_model for move in moves if move.is_weaker})
    lost = (
        f"The approval is weaker for {', '.join(weaker)}." if weaker else "No approval gets weaker."
    ) + f" {product.code} as a second source is gone."
    heirs = tuple(sorted({move.new for move in moves}))
    units = sum(len(move.units) for move in moves)
    count = f"{units} unit{'s' if units != 1 else ''}"
    sentence = f"{product.code} can go: its {count}, {litres:.0f} L a year, would take {', '.join(heirs)}."
    return Dropped(product.code, product.name, moves, heirs, litres, saving, sentence, lost)


def _move(group: Group, new: Product) -> Move:
    fit, now = group.fits[new.code], group.fits.get(group.today or "")
    old_strength = now.strength if now else ""
    unknown = int(group.use.is_unknown.sum())
    litres = None if unknown == len(group.use) else group.year_l(new)
    basis, rinse = tuple(one.words for one in fit.bases), group.rinses[new.code]
    count = f"{len(group.use)} unit{'s' if len(group.use) != 1 else ''}"
    amount = "litres unknown" if litres is None else f"{litres:.0f} L a year"
    after = " after a rinse fill" if rinse else ""
    return Move(
        group.model.code, group.model.name, group.codes,
        group.in_it.code if group.in_it else "", group.today or "", new.code, new.name,
        STRENGTH_WORDS.get(old_strength, "no approval accepted"), STRENGTH_WORDS[fit.strength],
        bool(old_strength) and STRENGTHS.index(fit.strength) > STRENGTHS.index(old_strength), basis, rinse, litres,
        unknown, f"{group.model.code}: {count} would take {new.code}{after}, {amount}; {'; '.join(basis)}.",
    )  # fmt: skip


def _only(groups: Sequence[Group], products: Mapping[str, Product]) -> tuple[Only, ...]:
    alone: dict[str, list[Group]] = defaultdict(list)
    for group in groups:
        if len(group.fits) == 1:
            alone[next(iter(group.fits))].append(group)
    return tuple(
        Only(
            code,
            products[code].name,
            tuple(sorted({group.model.code for group in own})),
            sum(len(group.use) for group in own),
        )
        for code, own in sorted(alone.items())
    )


def _none_fits(group: Group, book: FitBook, asked: FewestAsked) -> NoneFits:
    if book.asks_nothing(group.model.pk):
        reason = f"No specification is on record for {group.model.code}; type it from the unit maker's data."
    elif group.fits:
        reason = "All that fit are among those not to be used."
    else:
        reason = f"Nothing meets all it asks as “{STRENGTH_WORDS[asked.weakest]}” or stronger"
        reason += "." if asked.is_rinse_accepted else " without a rinse fill."
    return NoneFits(group.model.code, group.codes, group.today or "", reason)


def _told(
    today: Sequence[str], found: FewestSet, stuck: Sequence[Group], saving: float | None, currency: str
) -> str:
    """Say the answer in one sentence; saving: money a year, None when no product is dropped."""
    before, after = len(today), len(found.products)
    left_out = sum(len(group.use) for group in stuck if group.today not in found.products)
    told = f"{before} product{'s' if before != 1 else ''} today"
    if left_out:
        units = f"{left_out} unit{'s' if left_out != 1 else ''}"
        return f"{told}; with {after}, {units} would have none that may go in."
    worth = ""
    if saving is not None:
        money = f"{abs(saving):,.0f} {currency}".replace(",", "\u202f").strip()
        worth = f"{'saves' if saving >= 0 else 'costs'} about {money} a year"
    if after < before:
        return f"{told}, {after} would do{'; that ' + worth if worth else ''}."
    if worth:
        return f"{told}; no smaller set serves every unit, but another of {after} {worth}."
    return f"{told}; no smaller set serves every unit."
