"""How sure a fresh share or the litres of a first fill are, from how sure the figures behind them are."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from intervals.errors import QuantityError
from intervals.exchange.card import UnitCard, check_card, stage_limit
from intervals.exchange.catalogue import BLEED, CYCLE_TANK, REPEATED
from intervals.exchange.curve import share_curve
from intervals.exchange.done import split_title
from intervals.exchange.first_fill import corrected_out_l, needed_l
from intervals.exchange.fluid_kinds import FluidLaw
from intervals.exchange.propagation import COVERAGE, Input, Model, Propagated, Uncertainty, propagate
from intervals.exchange.shares import MIXING_BEST, one_number_share, share_after_drains
from intervals.exchange.starts import COOLER_LINE, MACHINE, start_litres
from intervals.exchange.volumes import DEFAULT_DENSITY_KG_M3

MIXING_LIMIT = 0.2
TURNOVER_LIMIT = 2.0
BLEED_LIMIT = 0.5

_PARTS = ("sump_l", "converter_l", "cooler_l", "passages_l")
_DRAINS = ("quick_drain_l", "overnight_drain_l")
_HIGHEST = {"mixing": 1.0, "turnover": 4.0, "bleed": 0.5}
_UNKNOWN = "“{name}” cannot be used here; allowed are {allowed}, and only what the unit card gives."


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure with its spread.

    Attributes:
        value: best estimate.
        sd: standard uncertainty, same unit.
        low, high: coverage interval.
        parts: what each input contributes, same unit, with its sign.
    """

    value: float
    sd: float
    low: float
    high: float
    parts: Mapping[str, float]


def share_model(card: UnitCard, title: str) -> Model:
    """Fresh share of a method as a function of named figures.

    The figures are `new_fluid_l`, `total_fill_l`, the two drains, the four parts and `mixing`, `turnover` and
    `bleed`; what is not given is taken from the card. With parts on the card their sum is the total fill, and
    another total fill stretches them all alike.

    Args:
        card: the unit card.
        title: the method, with the drain before it where there is one, as 'quick drain + cooler-line exchange'.

    Returns:
        The function.

    Raises:
        CardError: a card that contradicts itself.
        QuantityError: an unknown method.
    """
    check_card(card)
    start, method = split_title(title)
    # Pickup and swirl margin say when the pump starves, not how fluid mixes; they set the stage and are then left out.
    stage_l = stage_limit(card).litres
    free = replace(card, pickup_l=0.0, swirl_l=0.0) if card.has_compartments else card
    is_pushed = method in (COOLER_LINE, MACHINE)
    has_curve = is_pushed and card.has_compartments and (stage_l > 0.0 or method == MACHINE)

    def share(figures: Mapping[str, float]) -> float:
        moved = _moved(free, figures)
        litres = figures["new_fluid_l"]
        if has_curve:
            litres = max(litres, start_litres(moved, start))
            return float(share_curve(moved, method, litres, start=start, stage_l=stage_l)[0, 0])
        mixing = figures.get("mixing", MIXING_BEST)
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
    without parts; with parts turnover ± 2 and bleed up to 0.5 (common practice, no source). A bleed that starts
    at 0 only lowers the share, so its part is the slope inside.

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
    if is_pushed and not any(name in budget for name in mixing_names):
        usual = {"mixing": MIXING_LIMIT, "turnover": TURNOVER_LIMIT, "bleed": BLEED_LIMIT}
        budget |= {name: Uncertainty(usual[name]) for name in mixing_names}
    budget.setdefault("new_fluid_l", Uncertainty(0.0))
    values = {"new_fluid_l": new_fluid_l, "mixing": MIXING_BEST}
    return tuple(
        Input(
            name,
            values[name] if name in values else getattr(card, name),
            u,
            0.0,
            _HIGHEST.get(name, math.inf),
        )
        for name, u in budget.items()
    )


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
        The share, 0 to 1.

    Raises:
        CardError, QuantityError: as `share_inputs` and `propagate`, or litres that are not above zero.
    """
    if not 0.0 < new_fluid_l < math.inf:
        raise QuantityError(f"{new_fluid_l:g} L of new fluid cannot be right; enter the litres that went in.")
    model = share_model(card, title)
    result = propagate(model, share_inputs(card, title, new_fluid_l, uncertainties))
    return _spread(result, coverage, 0.0, 1.0)


def need_model(density_kg_m3: float = DEFAULT_DENSITY_KG_M3, fill_c: float = 20.0) -> Model:
    """Litres of new fluid needed, as a function of what was measured.

    Figures: tray_l, tray_c, jug_l, jug_c, arrival_mm (mm from the target, negative is short), ml_per_mm and
    pack_error_l (litres the packs hold above their label).
    """

    law = FluidLaw(density_kg_m3=density_kg_m3)

    def need(figures: Mapping[str, float]) -> float:
        out_l = corrected_out_l(
            figures["tray_l"], figures["jug_l"], figures["jug_c"], fill_c, figures["tray_c"], law
        )
        return needed_l(out_l, figures["arrival_mm"], figures["ml_per_mm"]) - figures["pack_error_l"]

    return need


def need_spread(
    measured: Mapping[str, float],
    uncertainties: Mapping[str, Uncertainty],
    density_kg_m3: float = DEFAULT_DENSITY_KG_M3,
    fill_c: float = 20.0,
    coverage: float = COVERAGE,
) -> Spread:
    """Litres needed with their spread; its `sd` is the u of `first_fill_l`.

    Args:
        measured: figures by name as `need_model`; what is left out is 0 L, 0 mm and, for temperatures, `fill_c`.
        uncertainties: by the same names.
        density_kg_m3: density at 60 °F, kg/m³.
        fill_c: temperature of the new fluid, °C.
        coverage: probability between `low` and `high`.

    Returns:
        Litres at `fill_c`.

    Raises:
        QuantityError: an unknown name, or figures outside the volume standard.
    """
    values = dict.fromkeys(("tray_l", "jug_l", "arrival_mm", "ml_per_mm", "pack_error_l"), 0.0)
    values |= {"tray_c": fill_c, "jug_c": fill_c}
    for name in (*measured, *uncertainties):
        if name not in values:
            raise QuantityError(_UNKNOWN.format(name=name, allowed=", ".join(values)))
    values |= measured
    unsure = tuple(
        Input(name, value, uncertainties.get(name, Uncertainty(0.0)), _least(name))
        for name, value in values.items()
    )
    return _spread(propagate(need_model(density_kg_m3, fill_c), unsure), coverage, 0.0, math.inf)


def _least(name: str) -> float:
    return 0.0 if name in ("tray_l", "jug_l", "ml_per_mm") else -math.inf


def _spread(result: Propagated, coverage: float, lowest: float, highest: float) -> Spread:
    half = result.expanded(coverage)
    low, high = max(lowest, result.value - half), min(highest, result.value + half)
    return Spread(result.value, result.u, low, high, result.parts)


def _moved(card: UnitCard, figures: Mapping[str, float]) -> UnitCard:
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
