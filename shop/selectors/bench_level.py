"""Parts of a bench answer that hang on temperature: the drain in time, the stick, the first pour."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from intervals.errors import HatchmarkError
from intervals.exchange import (
    DrainCurve,
    ErrorSource,
    UnitCard,
    combined_u,
    corrected_out_l,
    drained_l,
    excess_ml,
    first_fill_l,
    fit_drain_curve,
    growth_ml,
    needed_l,
    overfill_probability,
    pulls_needed,
    risk_from_costs,
    standpipe_check,
    start_check,
    stick_offset_mm,
    stop_waiting_min,
)
from intervals.exchange.drain import DEFAULT_KV40, DEFAULT_KV100
from intervals.exchange.fluid_kinds import FLUID_KINDS, FluidLaw
from intervals.exchange.propagation import COVERAGE, Input, Propagated, propagate, spread_of
from intervals.exchange.spread import card_uncertainty
from intervals.exchange.starts import START_OVERNIGHT
from shop.selectors.bench_acceptance import LevelAcceptance, level_acceptance
from shop.selectors.bench_request import Fluid, Measures, Rates, Temperatures

DRAIN_MINUTES = (
    1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 720, 960, 1200, 1440, 2160, 2880,
)  # fmt: skip
DRAIN_FIGURES = ("quick_drain_l", "overnight_drain_l")
STICK_TEMPS_C = tuple(range(0, 121, 10))
NO_DRAIN_FIGURES = "Cannot say: the card gives no quick drain and overnight drain to draw a curve through."
NO_STICK = (
    "Cannot say: the card gives neither a stick scale (mL per mm) with the temperature of its hot target nor a window "
    "in which the level counts."
)
NO_OIL_DRAIN = "The drain curve holds for oil, which is thick when cold; this fluid runs out at once."
STICK_VOID = (
    "Void as the last check: {read:g} °C is outside {low:g} to {high:g} °C. What the stick says here is a pointer; "
    "read it again inside the window."
)
PIPE_REACH_C = 20


@dataclass(frozen=True, slots=True)
class DrainShown:
    """Litres out of the plug against minutes; `stop_waiting_min` None: even after three days more comes."""

    cannot_say: str = ""
    minutes: tuple[float, ...] = ()
    litres: tuple[float, ...] = ()
    stop_waiting_min: float | None = None
    stop_waiting_l: float | None = None
    at_min: float | None = None
    at_l: float | None = None
    at_low_l: float | None = None
    at_high_l: float | None = None


@dataclass(frozen=True, slots=True)
class StickScale:
    """Where a right fill stands at each temperature, and a reading judged.

    Attributes:
        ref_c: temperature of the hot target, or the middle of the window.
        ml_per_mm, offsets_mm, right_mm: None or empty without a stick scale.
        slope_ml_per_c, slope_mm_per_c: growth per degree at the target.
        cold_c, cold_right_mm, cold_guarded_mm: the cold check: right level, and what it must read with the guard out.
        window_low_c, window_high_c: temperatures between which the level counts.
        void: why a reading does not count; empty when it does, or nothing was read.
        pulls, pulls_first: pulls of 100 mL to the right level, none from an accepted one, and before reading again.
        acceptance: whether the reading may be accepted; None without a reading that counts or a tolerance.
        pipe_temps_c, pipe_errors_ml: level set by a standpipe at these temperatures: litres over (+) or short (-).
    """

    cannot_say: str = ""
    ref_c: float | None = None
    ml_per_mm: float | None = None
    temps_c: tuple[float, ...] = ()
    offsets_mm: tuple[float, ...] = ()
    growths_ml: tuple[float, ...] = ()
    slope_ml_per_c: float | None = None
    slope_mm_per_c: float | None = None
    cold_c: float | None = None
    cold_right_mm: float | None = None
    cold_guarded_mm: float | None = None
    window_low_c: float | None = None
    window_high_c: float | None = None
    void: str = ""
    pipe_temps_c: tuple[float, ...] = ()
    pipe_errors_ml: tuple[float, ...] = ()
    reading_mm: float | None = None
    reading_c: float | None = None
    right_mm: float | None = None
    excess_ml: float | None = None
    pulls: int = 0
    pulls_first: int = 0
    acceptance: LevelAcceptance | None = None


@dataclass(frozen=True, slots=True)
class SpreadPart:
    """One error source: its limit and its standard uncertainty, L."""

    name: str
    limit_l: float
    standard_l: float


@dataclass(frozen=True, slots=True)
class FirstPour:
    """Litres to pour first, the guard held back, and how likely an overfill is."""

    cannot_say: str = ""
    tray_l: float | None = None
    jug_l: float | None = None
    out_l: float | None = None
    need_l: float | None = None
    need_low_l: float | None = None
    need_high_l: float | None = None
    u_l: float | None = None
    parts: tuple[SpreadPart, ...] = ()
    first_fill_l: float | None = None
    guard_l: float | None = None
    limited_by: str | None = None
    sentence: str = ""
    overfill_first: float | None = None
    overfill_need: float | None = None
    overfill_as_read: float | None = None
    least_pour_l: float | None = None
    without_arrival: bool = False
    cheapest_risk: float | None = None
    cheapest_fill_l: float | None = None


def drain_shown(card: UnitCard, fluid: Fluid, temps: Temperatures, measures: Measures) -> DrainShown:
    """Return the drain in time for today's temperatures."""
    if not fluid.is_oil:
        return DrainShown(cannot_say=NO_OIL_DRAIN)
    if card.quick_drain_l is None or card.overnight_drain_l is None:
        return DrainShown(cannot_say=NO_DRAIN_FIGURES)
    kv40, kv100 = fluid.kv40_mm2_s or DEFAULT_KV40, fluid.kv100_mm2_s or DEFAULT_KV100
    at_min = 60.0 * measures.drain_h
    try:
        curve = fit_drain_curve(card.quick_drain_l, card.overnight_drain_l, kv40=kv40, kv100=kv100)

        def out(minutes: float) -> float:
            return _out_l(minutes, curve, temps, kv40, kv100)

        def out_of(figures: Mapping[str, float]) -> float:
            quick_l, night_l = figures["quick_drain_l"], figures["overnight_drain_l"]
            moved = fit_drain_curve(min(quick_l, night_l), night_l, kv40=kv40, kv100=kv100)
            return _out_l(at_min, moved, temps, kv40, kv100)

        stop = stop_waiting_min(temps.drain_start_c, temps.shed_c, curve, kv40, kv100)
        unsure = [
            Input(name, getattr(card, name), card_uncertainty(card, name), 0.0) for name in DRAIN_FIGURES
        ]
        spread = spread_of(propagate(out_of, unsure), COVERAGE, 0.0, card.total_fill_l)
        return DrainShown(
            "",
            tuple(map(float, DRAIN_MINUTES)),
            tuple(out(one) for one in DRAIN_MINUTES),
            stop,
            out(stop) if stop is not None else None,
            at_min,
            out(at_min),
            spread.low,
            spread.high,
        )
    except HatchmarkError as error:
        return DrainShown(cannot_say=str(error))


def _out_l(minutes: float, curve: DrainCurve, temps: Temperatures, kv40: float, kv100: float) -> float:
    return drained_l(minutes, temps.drain_start_c, temps.shed_c, curve, kv40, kv100)


def stick_scale(
    card: UnitCard,
    fluid: Fluid,
    temps: Temperatures,
    measures: Measures,
    guard_l: float | None = None,
    level_by: str = "stick",
) -> StickScale:
    """Return the level's scale from cold to hot, and what a reading means; `guard_l`: held back from the first fill."""
    low_c, high_c = temps.window_low_c, temps.window_high_c
    has_window = low_c is not None and high_c is not None
    has_stick = card.ml_per_mm is not None and card.stick_ref_c is not None
    if not has_stick and not has_window:
        return StickScale(cannot_say=NO_STICK)
    try:
        scale = _scale_of(card, fluid.law, temps)
        if has_stick:
            scale = _with_cold_check(scale, card, fluid.law, temps, guard_l)
        if has_window:
            scale = _with_window(scale, card, fluid.law, low_c or 0.0, high_c or 0.0, temps.reading_c)
            if scale.void and has_stick and level_by == "stick":
                scale = replace(scale, void=STICK_VOID.format(read=temps.reading_c, low=low_c, high=high_c))
        return _judged(scale, card, fluid.law, temps, measures) if has_stick else scale
    except HatchmarkError as error:
        return StickScale(cannot_say=str(error))


def _scale_of(card: UnitCard, law: FluidLaw, temps: Temperatures) -> StickScale:
    middle_c = 0.5 * ((temps.window_low_c or 0.0) + (temps.window_high_c or 0.0))
    ref_c = middle_c if card.stick_ref_c is None else card.stick_ref_c
    kind = FLUID_KINDS[law.kind]
    shown = [float(t) for t in STICK_TEMPS_C if kind.temp_low_c <= t <= kind.temp_high_c]
    growths = tuple(growth_ml(card.total_fill_l, ref_c, t, law) for t in shown)
    slope = 0.5 * growth_ml(card.total_fill_l, ref_c - 1.0, ref_c + 1.0, law)
    k = card.ml_per_mm if card.stick_ref_c is not None else None
    return StickScale(
        ref_c=ref_c, ml_per_mm=k, temps_c=tuple(shown),
        offsets_mm=() if k is None else tuple(growth / k for growth in growths), growths_ml=growths,
        slope_ml_per_c=slope, slope_mm_per_c=None if k is None else slope / k,
    )  # fmt: skip


def _with_cold_check(
    scale: StickScale, card: UnitCard, law: FluidLaw, temps: Temperatures, guard_l: float | None
) -> StickScale:
    right_mm = stick_offset_mm(temps.cold_c, card, law)
    guarded_mm = (
        None if guard_l is None or not card.ml_per_mm else right_mm - 1000.0 * guard_l / card.ml_per_mm
    )
    return replace(scale, cold_c=temps.cold_c, cold_right_mm=right_mm, cold_guarded_mm=guarded_mm)


def _with_window(
    scale: StickScale, card: UnitCard, law: FluidLaw, low_c: float, high_c: float, reading_c: float | None
) -> StickScale:
    """Add what a standpipe set at other temperatures leaves, and whether the reading's temperature counts."""
    first, last = int(low_c) - PIPE_REACH_C, int(high_c) + PIPE_REACH_C
    temps = tuple(float(t) for t in range(first - first % 5, last + 1, 5))
    checks = [standpipe_check(t, low_c, high_c, card.total_fill_l, law) for t in temps]
    void = ""
    if reading_c is not None:
        check = standpipe_check(reading_c, low_c, high_c, card.total_fill_l, law)
        void = "" if check.is_valid else check.sentence
    return replace(
        scale, window_low_c=low_c, window_high_c=high_c, void=void, pipe_temps_c=temps,
        pipe_errors_ml=tuple(check.error_ml for check in checks),
    )  # fmt: skip


def _judged(
    scale: StickScale, card: UnitCard, law: FluidLaw, temps: Temperatures, measures: Measures
) -> StickScale:
    if measures.reading_mm is None or card.stick_ref_c is None:
        return scale
    reading_c = card.stick_ref_c if temps.reading_c is None else temps.reading_c
    over_ml = excess_ml(measures.reading_mm, reading_c, card, law)
    right_mm = stick_offset_mm(reading_c, card, law)
    acceptance = None if scale.void else level_acceptance(measures.reading_mm, right_mm, measures)
    pulls, first = (0, 0) if acceptance is not None and acceptance.is_accepted else pulls_needed(over_ml)
    return replace(
        scale, reading_mm=measures.reading_mm, reading_c=reading_c, right_mm=right_mm, excess_ml=over_ml, pulls=pulls,
        pulls_first=first, acceptance=acceptance,
    )  # fmt: skip


def first_pour(
    card: UnitCard,
    fluid: Fluid,
    temps: Temperatures,
    measures: Measures,
    rates: Rates,
    level_by: str,
    plan_tray_l: float,
    plan_jug_l: float,
    start: str,
) -> FirstPour:
    """Return the first pour; what was not measured is taken from the plan (L at the new fluid's temperature)."""
    law = fluid.law
    try:
        is_weighed = measures.measured_by == "weighing"
        tray_l = (
            law.moved_l(plan_tray_l, temps.fill_c, temps.fill_c if is_weighed else temps.tray_c)
            if measures.tray_l is None
            else measures.tray_l
        )
        jug_l = (
            law.moved_l(plan_jug_l, temps.fill_c, temps.fill_c if is_weighed else temps.jug_c)
            if measures.jug_l is None
            else measures.jug_l
        )
        at_c = (temps.fill_c, temps.fill_c) if is_weighed else (temps.jug_c, temps.tray_c)
        out_l = corrected_out_l(tray_l, jug_l, at_c[0], temps.fill_c, at_c[1], law)
        need_l = out_l + _arrival_lack_l(card, temps, measures, law)
        parts = _sources(card, measures, tray_l, jug_l, temps, law)
        u_l = combined_u(parts)
        least_l = start_check(card, need_l, plan_tray_l).least_pour_l if start == START_OVERNIGHT else None
        fill = first_fill_l(
            need_l, u_l, measures.overfill_risk_pct / 100.0, band_l=measures.band_l, least_l=least_l,
            is_standpipe=level_by == "standpipe",
        )  # fmt: skip

        def over(poured_l: float) -> float | None:
            return overfill_probability(poured_l, need_l, u_l) if u_l > 0.0 else None

        need_range = spread_of(Propagated(need_l, u_l, math.inf, {}), COVERAGE, 0.0)
        is_run_off = fill.limited_by == "standpipe"
        risk = risk_from_costs(rates.one_more_pour, rates.taking_out)
        cheapest = first_fill_l(need_l, u_l, risk, band_l=measures.band_l, least_l=least_l)
        return FirstPour(
            "", tray_l, jug_l, out_l, need_l, need_range.low, need_range.high, u_l,
            tuple(SpreadPart(one.name, one.limit_l, one.standard_l) for one in parts),
            fill.first_fill_l, fill.guard_l, fill.limited_by, fill.sentence,
            None if is_run_off else over(fill.first_fill_l), None if is_run_off else over(need_l),
            None if is_run_off or is_weighed else over(tray_l + jug_l), least_l, measures.arrival_mm is None,
            None if is_run_off else risk, None if is_run_off else cheapest.first_fill_l,
        )  # fmt: skip
    except HatchmarkError as error:
        return FirstPour(cannot_say=str(error))


def _arrival_lack_l(card: UnitCard, temps: Temperatures, measures: Measures, law: FluidLaw) -> float:
    if measures.arrival_mm is None or card.ml_per_mm is None or card.stick_ref_c is None:
        return 0.0
    arrival_c = card.stick_ref_c if temps.arrival_c is None else temps.arrival_c
    over_target_mm = measures.arrival_mm - stick_offset_mm(arrival_c, card, law)
    return needed_l(0.0, over_target_mm, card.ml_per_mm)


def _sources(
    card: UnitCard, measures: Measures, tray_l: float, jug_l: float, temps: Temperatures, law: FluidLaw
) -> tuple[ErrorSource, ...]:
    """Error limits of what was measured; weighing needs neither tray, jug nor temperature."""
    stick = (
        [ErrorSource("level on arrival", measures.stick_error_mm * card.ml_per_mm / 1000.0)]
        if card.ml_per_mm is not None and measures.arrival_mm is not None
        else []
    )
    if measures.measured_by == "weighing":
        return (ErrorSource("scale", measures.scale_error_pct / 100.0 * (tray_l + jug_l)), *stick)
    hotter_l = law.moved_l(jug_l, temps.jug_c, temps.jug_c + measures.jug_error_c)
    return (
        ErrorSource("tray", measures.tray_error_pct / 100.0 * tray_l),
        ErrorSource("jug", measures.jug_error_pct / 100.0 * jug_l),
        ErrorSource("jug temperature", abs(hotter_l - jug_l)),
        ErrorSource("packs", measures.pack_error_pct / 100.0 * (tray_l + jug_l)),
        *stick,
    )
