"""How sure a fresh share is, from how sure the figures behind it are."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
from scipy.optimize import brentq  # type: ignore[import-untyped]
from scipy.special import ndtr  # type: ignore[import-untyped]

from intervals.errors import QuantityError
from intervals.exchange.card import UnitCard, check_card, stage_limit
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED
from intervals.exchange.curve import share_curve
from intervals.exchange.done import split_title
from intervals.exchange.learning import drain_spread
from intervals.exchange.propagation import (
    COVERAGE,
    RECTANGULAR,
    Input,
    Model,
    Spread,
    Uncertainty,
    coverage_z,
    propagate,
)
from intervals.exchange.shares import mixing_numbers, one_number_share, share_after_drains
from intervals.exchange.starts import COOLER_LINE, MACHINE, START_OVERNIGHT, START_QUICK, start_litres

MIXING_LIMIT = 0.2
LEARNED_MIXING_LIMIT = 0.1
"""How far the mixing number may lie from 0.6 where nothing is known, and from a learned one (common practice)."""
MIXING_BOUNDS: Mapping[str, tuple[float, float]] = {"turnover": (0.0, 4.0), "bleed": (0.0, 0.5)}
"""What a box may do that nobody has looked into: the range of the mixing cases. Common practice, no source."""

SOURCE_LIMITS: Mapping[str, float] = {"maker": 0.05, "house": 0.05, "learned": 0.05, "guess": 0.20}
"""How far a card figure may be off in one job, as a share of it, by where it comes from; a rectangular limit each.
Common practice, no source: five in a hundred is what a tray or jug is trusted to, a guess is worth a fifth. A figure
that names no source counts as one of the house."""

_PARTS = ("sump_l", "converter_l", "cooler_l", "passages_l")
_DRAINS = ("quick_drain_l", "overnight_drain_l")
_HIGHEST = {"mixing": 1.0, "turnover": 4.0, "bleed": 0.5}
MIXING_CASES = 100
_LEAST_U = 1e-4
_UNKNOWN = "“{name}” cannot be used here; allowed are {allowed}, and only what the unit card gives."


def card_uncertainty(
    card: UnitCard, figure: str, learned_sd: Mapping[str, float] | None = None
) -> Uncertainty:
    """How far one figure of a card may be off in a single job.

    A learned figure has a standard deviation of its own; the scatter of one drain around it (`drain_spread`) is added
    as a square. Any other has the limit of its source.

    Args:
        card: the unit card, which gives the figure.
        figure: name of a field in litres.
        learned_sd: standard deviation of learned figures, L, by field.

    Returns:
        The uncertainty, L.

    Raises:
        QuantityError: the card does not give the figure.
    """
    value = getattr(card, figure)
    if value is None:
        raise QuantityError(
            f"The unit card does not give '{figure}', so nothing can be said about its spread."
        )
    own_sd = (learned_sd or {}).get(figure)
    if own_sd is not None:
        return Uncertainty(math.hypot(own_sd, drain_spread(value).sd_l), "normal")
    return Uncertainty(SOURCE_LIMITS.get(card.sources.get(figure, "house"), SOURCE_LIMITS["guess"]) * value)


def share_model(card: UnitCard, title: str, stage_l: float | None = None) -> Model:
    """Fresh share of a method as a function of named figures.

    The figures are `new_fluid_l`, `total_fill_l`, the two drains, the four parts and `mixing`, `turnover` and
    `bleed`; what is not given is taken from the card. With parts on the card their sum is the total fill, and
    another total fill stretches them all alike.

    Args:
        card: the unit card.
        title: the method, with the drain before it where there is one, as 'quick drain + cooler-line exchange'.
        stage_l: litres per engine run with the hose off; None takes the stage limit.

    Returns:
        The function.

    Raises:
        CardError: a card that contradicts itself.
        QuantityError: an unknown method.
    """
    check_card(card)
    start, method = split_title(title)
    # Pickup and swirl margin say when the pump starves, not how fluid mixes; they set the stage and are then left out.
    stage_l = stage_limit(card).litres if stage_l is None else stage_l
    free = replace(card, pickup_l=0.0, swirl_l=0.0) if card.has_compartments else card
    is_pushed = method in (COOLER_LINE, MACHINE)
    has_curve = is_pushed and card.has_compartments and (stage_l > 0.0 or method == MACHINE)

    def share(figures: Mapping[str, float]) -> float:
        moved = moved_card(free, figures)
        litres = figures["new_fluid_l"]
        if has_curve:
            litres = max(litres, start_litres(moved, start))
            return float(share_curve(moved, method, litres, start=start, stage_l=stage_l)[0, 0])
        mixing = figures.get("mixing", mixing_numbers(card.mixing)[0])
        if is_pushed or method == BLEED:
            drained_l = min(start_litres(moved, start), litres)
            return one_number_share(drained_l, litres - drained_l, moved.total_fill_l, mixing)
        return _drained(moved, method, litres, card)

    return share


def share_inputs(
    card: UnitCard, title: str, new_fluid_l: float, uncertainties: Mapping[str, Uncertainty]
) -> tuple[Input, ...]:
    """The figures of a share with their uncertainties, ready for `propagate` or `monte_carlo`.

    Where fluid is pushed through and nothing is said about mixing, the usual ranges stand in: mixing 0.6 ± 0.2
    without parts; with parts turnover 0 to 4 and bleed 0 to 0.5 (common practice, no source). Of a figure known only
    between two bounds the middle is its input, wherever the best guess lies between them (GUM 4.3.8).

    Args:
        card, title: as `share_model`.
        new_fluid_l: all new fluid, the refill of a drain included, L.
        uncertainties: by name of the figure, see `share_model`.

    Returns:
        The inputs.

    Raises:
        CardError: as `share_model`.
        QuantityError: unknown method or figure, or a figure the card does not give.
    """
    _, method = split_title(title)
    is_pushed = method in (COOLER_LINE, MACHINE, BLEED)
    has_parts = card.has_compartments and method != BLEED
    mixing_names = ("turnover", "bleed") if has_parts else ("mixing",)
    allowed: tuple[str, ...] = ("new_fluid_l", "total_fill_l", *_DRAINS)
    allowed += _PARTS if card.has_compartments else ()
    allowed += mixing_names if is_pushed else ()
    for name in uncertainties:
        known = name in allowed and (name in ("new_fluid_l", "mixing") or getattr(card, name) is not None)
        if not known:
            raise QuantityError(_UNKNOWN.format(name=name, allowed=", ".join(allowed)))
    budget = dict(uncertainties)
    if has_parts and is_pushed and not any(name in budget for name in mixing_names):
        bounds = tuple(
            Input(name, 0.5 * (low + high), Uncertainty(0.5 * (high - low)), low, high)
            for name, (low, high) in MIXING_BOUNDS.items()
        )
    else:
        bounds = ()
        if is_pushed and not has_parts:
            budget.setdefault(
                "mixing", Uncertainty(MIXING_LIMIT if card.mixing is None else LEARNED_MIXING_LIMIT)
            )
    budget.setdefault("new_fluid_l", Uncertainty(0.0))
    values = {"new_fluid_l": new_fluid_l, "mixing": mixing_numbers(card.mixing)[0]}
    given = tuple(
        Input(
            name,
            values[name] if name in values else getattr(card, name),
            u,
            0.0,
            _HIGHEST.get(name, math.inf),
        )
        for name, u in budget.items()
    )
    return (*given, *bounds)


def share_spread(
    card: UnitCard,
    title: str,
    new_fluid_l: float,
    uncertainties: Mapping[str, Uncertainty],
    coverage: float = COVERAGE,
) -> Spread:
    """Fresh share of a method with its spread.

    Args:
        card, title, new_fluid_l, uncertainties: as `share_inputs`.
        coverage: probability between `low` and `high`.

    Returns:
        The share, 0 to 1, best guess; its range lies around the middle of what mixing may be.

    Raises:
        CardError, QuantityError: as `share_inputs` and `propagate`, or litres that are not above zero.
    """
    if not 0.0 < new_fluid_l < math.inf:
        raise QuantityError(f"{new_fluid_l:g} L of new fluid cannot be right; enter the litres that went in.")
    model = share_model(card, title)
    best = model({"new_fluid_l": new_fluid_l})
    return mixed_spread(model, share_inputs(card, title, new_fluid_l, uncertainties), best, coverage)


def share_percent(share: float) -> str:
    """A share in whole per cent; it never reads 100 before it is there."""
    return f"{min(share, 0.99) if share < 1.0 else share:.0%}"


def done_spread(
    card: UnitCard,
    title: str,
    new_fluid_l: float,
    litres: Uncertainty,
    learned_sd: Mapping[str, float] | None = None,
    coverage: float = COVERAGE,
) -> Spread:
    """Fresh share a finished job left, with its spread from the measured litres and the card.

    Args:
        card, title, new_fluid_l: as `share_of_done`.
        litres: how far the measured litres may be off, L.
        learned_sd: standard deviation of learned card figures, L, by field.
        coverage: probability between `low` and `high`.

    Returns:
        The share, 0 to 1.

    Raises:
        CardError, QuantityError: as `share_spread`.
    """
    start, method = split_title(title)
    budget = {"new_fluid_l": litres, "total_fill_l": card_uncertainty(card, "total_fill_l", learned_sd)}
    drain = {START_QUICK: "quick_drain_l", START_OVERNIGHT: "overnight_drain_l"}.get(start)
    if method in (COOLER_LINE, MACHINE) and drain is not None and getattr(card, drain) is not None:
        budget[drain] = card_uncertainty(card, drain, learned_sd)
    return share_spread(card, title, new_fluid_l, budget, coverage)


def mixed_spread(model: Model, inputs: Sequence[Input], best: float, coverage: float = COVERAGE) -> Spread:
    """A share with its spread, where how the fluid mixes is known between two bounds only.

    A share bends too much with mixing for the law of propagation, so that every mixing case is worked out and the
    other figures are spread around each: P(x) = mean over cases of Phi((x - f_case)/u_others), given that a share lies
    in 0 to 1. Source: law of total probability; u_others by the GUM, the cases as a distribution numerically propagated
    (JCGM 101).

    Args:
        model, inputs: as `propagate`; mixing, turnover and bleed with rectangular limits make the cases.
        best: the share's best guess.
        coverage: probability between `low` and `high`.

    Returns:
        The best guess with its range; the part `mixing` is that of all cases together.

    Raises:
        QuantityError: as `propagate`.
    """
    bounded = [item for item in inputs if item.name in _HIGHEST and item.uncertainty.shape == RECTANGULAR]
    others = [item for item in inputs if item not in bounded]
    middle = {item.name: item.value for item in bounded}
    rest = propagate(lambda figures: model({**figures, **middle}), others)
    estimates = {item.name: item.value for item in others}
    shares = np.array([model({**estimates, **case}) for case in _cases(bounded)])
    spread_by_mixing = float(shares.std())
    # Few degrees of freedom widen the others as Student's t widens their coverage factor.
    u = max(_LEAST_U, rest.expanded(coverage) / coverage_z(coverage))
    below_none, below_all = (float(ndtr((bound - shares) / u).mean()) for bound in (0.0, 1.0))

    def chance_below(share: float, quantile: float) -> float:
        chance = float(ndtr((share - shares) / u).mean())
        return (chance - below_none) / (below_all - below_none) - quantile

    low, high = (
        brentq(chance_below, 0.0, 1.0, args=(quantile,))
        for quantile in (0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage)
    )
    parts = {**rest.parts, "mixing": -spread_by_mixing} if bounded else rest.parts
    sd = math.hypot(rest.u, spread_by_mixing)
    return Spread(best, sd, min(low, best), max(high, best), parts)


def _cases(bounded: Sequence[Input]) -> list[dict[str, float]]:
    """Middles of equal steps between the bounds, a hundred cases in all for one figure or for two."""
    steps = MIXING_CASES if len(bounded) == 1 else round(math.sqrt(MIXING_CASES))
    axes = []
    for item in bounded:
        low = max(item.lowest, item.value - item.uncertainty.limit)
        high = min(item.highest, item.value + item.uncertainty.limit)
        axes.append([low + (step + 0.5) / steps * (high - low) for step in range(steps)])
    names = [item.name for item in bounded]
    return [dict(zip(names, values, strict=True)) for values in product(*axes)]


def moved_card(card: UnitCard, figures: Mapping[str, float]) -> UnitCard:
    """The card with the given figures, its parts and drains made to fit each other again."""
    changes: dict[str, Any] = {
        name: value for name, value in figures.items() if name not in ("new_fluid_l", "mixing")
    }
    total_l = changes.get("total_fill_l", card.total_fill_l)
    if card.has_compartments:
        stretch = total_l / card.total_fill_l
        parts = {name: changes.get(name, getattr(card, name)) * stretch for name in _PARTS}
        changes |= parts
        total_l = sum(parts.values())
    most_l = (total_l, total_l)
    if card.has_compartments:
        drainback_l = (card.converter_drainback_l or 0.0) + (card.passages_drainback_l or 0.0)
        most_l = (changes["sump_l"], changes["sump_l"] + drainback_l)
    for name, limit_l in zip(_DRAINS, most_l, strict=True):
        drained_l = changes.get(name, getattr(card, name))
        if drained_l is not None:
            changes[name] = min(drained_l, limit_l)
    changes["total_fill_l"] = total_l
    return replace(card, **changes)


def _drained(card: UnitCard, method: str, litres: float, book: UnitCard) -> float:
    total_l = card.total_fill_l
    if method not in (REPEATED, CYCLE_TANK):
        return min(1.0, litres / total_l)
    one_l = book.quick_drain_l
    # The count is fixed by the card as it stands, so that a small change of a figure cannot add a drain.
    times = 2 if method == CYCLE_TANK or not one_l else max(2, round(litres / one_l))
    return share_after_drains(times, min(litres / times, total_l), total_l)
