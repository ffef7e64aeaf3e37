"""Parts of a bench answer that hang on temperature: the drain in time, the stick, the first pour."""

from dataclasses import dataclass

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
    start_check,
    stick_offset_mm,
    stop_waiting_min,
    volume_at,
)
from intervals.exchange.drain import DEFAULT_KV40, DEFAULT_KV100
from intervals.exchange.starts import START_OVERNIGHT
from intervals.exchange.volumes import DEFAULT_DENSITY_KG_M3
from shop.selectors.bench_request import Fluid, Measures, Temperatures

DRAIN_MINUTES = (
    1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 720, 960, 1200, 1440, 2160, 2880,
)  # fmt: skip
STICK_TEMPS_C = tuple(range(0, 121, 10))
NO_DRAIN_FIGURES = "Cannot say: the card gives no quick drain and overnight drain to draw a curve through."
NO_STICK = "Cannot say: the card gives no stick scale (mL per mm) and no temperature of the hot target."


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


@dataclass(frozen=True, slots=True)
class StickScale:
    """Where a right fill stands on the stick at each temperature, mm from the hot target, and a reading judged."""

    cannot_say: str = ""
    ref_c: float | None = None
    ml_per_mm: float | None = None
    temps_c: tuple[float, ...] = ()
    offsets_mm: tuple[float, ...] = ()
    growths_ml: tuple[float, ...] = ()
    reading_mm: float | None = None
    reading_c: float | None = None
    right_mm: float | None = None
    excess_ml: float | None = None
    pulls: int = 0
    pulls_first: int = 0


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


def drain_shown(card: UnitCard, fluid: Fluid, temps: Temperatures, measures: Measures) -> DrainShown:
    """Return the drain in time for today's temperatures."""
    if card.quick_drain_l is None or card.overnight_drain_l is None:
        return DrainShown(cannot_say=NO_DRAIN_FIGURES)
    kv40, kv100 = fluid.kv40_mm2_s or DEFAULT_KV40, fluid.kv100_mm2_s or DEFAULT_KV100
    try:
        curve = fit_drain_curve(card.quick_drain_l, card.overnight_drain_l, kv40=kv40, kv100=kv100)

        def out(minutes: float) -> float:
            return _out_l(minutes, curve, temps, kv40, kv100)

        stop = stop_waiting_min(temps.drain_start_c, temps.shed_c, curve, kv40, kv100)
        at_min = 60.0 * measures.drain_h
        return DrainShown(
            "",
            tuple(map(float, DRAIN_MINUTES)),
            tuple(out(one) for one in DRAIN_MINUTES),
            stop,
            out(stop) if stop is not None else None,
            at_min,
            out(at_min),
        )
    except HatchmarkError as error:
        return DrainShown(cannot_say=str(error))


def _out_l(minutes: float, curve: DrainCurve, temps: Temperatures, kv40: float, kv100: float) -> float:
    return drained_l(minutes, temps.drain_start_c, temps.shed_c, curve, kv40, kv100)


def stick_scale(card: UnitCard, fluid: Fluid, temps: Temperatures, measures: Measures) -> StickScale:
    """Return the stick's scale from cold to hot, and what a reading means."""
    if card.ml_per_mm is None or card.stick_ref_c is None:
        return StickScale(cannot_say=NO_STICK)
    density = fluid.density_kg_m3 or DEFAULT_DENSITY_KG_M3
    try:
        scale = StickScale(
            ref_c=card.stick_ref_c,
            ml_per_mm=card.ml_per_mm,
            temps_c=tuple(map(float, STICK_TEMPS_C)),
            offsets_mm=tuple(stick_offset_mm(t, card, density) for t in STICK_TEMPS_C),
            growths_ml=tuple(
                growth_ml(card.total_fill_l, card.stick_ref_c, t, density) for t in STICK_TEMPS_C
            ),
        )
        if measures.reading_mm is None:
            return scale
        reading_c = card.stick_ref_c if temps.reading_c is None else temps.reading_c
        over_ml = excess_ml(measures.reading_mm, reading_c, card, density)
        pulls, first = pulls_needed(over_ml)
        return StickScale(
            "", scale.ref_c, scale.ml_per_mm, scale.temps_c, scale.offsets_mm, scale.growths_ml,
            measures.reading_mm, reading_c, stick_offset_mm(reading_c, card, density), over_ml, pulls, first,
        )  # fmt: skip
    except HatchmarkError as error:
        return StickScale(cannot_say=str(error))


def first_pour(
    card: UnitCard,
    fluid: Fluid,
    temps: Temperatures,
    measures: Measures,
    level_by: str,
    plan_tray_l: float,
    plan_jug_l: float,
    start: str,
) -> FirstPour:
    """Return the first pour; what was not measured is taken from the plan (L at the new fluid's temperature)."""
    density = fluid.density_kg_m3 or DEFAULT_DENSITY_KG_M3
    try:
        is_weighed = measures.measured_by == "weighing"
        tray_l = (
            volume_at(plan_tray_l, temps.fill_c, temps.fill_c if is_weighed else temps.tray_c, density)
            if measures.tray_l is None
            else measures.tray_l
        )
        jug_l = (
            volume_at(plan_jug_l, temps.fill_c, temps.fill_c if is_weighed else temps.jug_c, density)
            if measures.jug_l is None
            else measures.jug_l
        )
        at_c = (temps.fill_c, temps.fill_c) if is_weighed else (temps.jug_c, temps.tray_c)
        out_l = corrected_out_l(tray_l, jug_l, at_c[0], temps.fill_c, at_c[1], density)
        need_l = out_l + _arrival_lack_l(card, temps, measures, density)
        parts = _sources(card, measures, tray_l, jug_l, temps, density)
        u_l = combined_u(parts)
        least_l = start_check(card, need_l, plan_tray_l).least_pour_l if start == START_OVERNIGHT else None
        fill = first_fill_l(
            need_l, u_l, measures.overfill_risk_pct / 100.0, band_l=measures.band_l, least_l=least_l,
            is_standpipe=level_by == "standpipe",
        )  # fmt: skip

        def over(poured_l: float) -> float | None:
            return overfill_probability(poured_l, need_l, u_l) if u_l > 0.0 else None

        is_run_off = fill.limited_by == "standpipe"
        return FirstPour(
            "", tray_l, jug_l, out_l, need_l, u_l,
            tuple(SpreadPart(one.name, one.limit_l, one.standard_l) for one in parts),
            fill.first_fill_l, fill.guard_l, fill.limited_by, fill.sentence,
            None if is_run_off else over(fill.first_fill_l), None if is_run_off else over(need_l),
            None if is_run_off or is_weighed else over(tray_l + jug_l), least_l, measures.arrival_mm is None,
        )  # fmt: skip
    except HatchmarkError as error:
        return FirstPour(cannot_say=str(error))


def _arrival_lack_l(card: UnitCard, temps: Temperatures, measures: Measures, density: float) -> float:
    if measures.arrival_mm is None or card.ml_per_mm is None or card.stick_ref_c is None:
        return 0.0
    arrival_c = card.stick_ref_c if temps.arrival_c is None else temps.arrival_c
    over_target_mm = measures.arrival_mm - stick_offset_mm(arrival_c, card, density)
    return needed_l(0.0, over_target_mm, card.ml_per_mm)


def _sources(
    card: UnitCard, measures: Measures, tray_l: float, jug_l: float, temps: Temperatures, density: float
) -> tuple[ErrorSource, ...]:
    """Error limits of what was measured; weighing needs neither tray, jug nor temperature."""
    stick = (
        [ErrorSource("level on arrival", measures.stick_error_mm * card.ml_per_mm / 1000.0)]
        if card.ml_per_mm is not None and measures.arrival_mm is not None
        else []
    )
    if measures.measured_by == "weighing":
        return (ErrorSource("scale", measures.scale_error_pct / 100.0 * (tray_l + jug_l)), *stick)
    hotter_l = volume_at(jug_l, temps.jug_c, temps.jug_c + measures.jug_error_c, density)
    return (
        ErrorSource("tray", measures.tray_error_pct / 100.0 * tray_l),
        ErrorSource("jug", measures.jug_error_pct / 100.0 * jug_l),
        ErrorSource("jug temperature", abs(hotter_l - jug_l)),
        ErrorSource("packs", measures.pack_error_pct / 100.0 * (tray_l + jug_l)),
        *stick,
    )
