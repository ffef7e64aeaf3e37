"""What may be asked of the bench: one table of figures from which form, JSON schema and checks are made."""

from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from intervals.exchange.catalogue import METHODS, TYPICAL_SHARES
from intervals.exchange.fluid_kinds import FLUID_KINDS, OIL, FluidLaw
from intervals.exchange.sequence import Step
from shop.errors import InputError
from shop.selectors.bench_steps import is_finite_number, read_steps, steps_schema

TITLES = (
    *METHODS,
    "quick drain + cooler-line exchange",
    "overnight drain + cooler-line exchange",
    "quick drain + machine exchange",
)
MOST_L = 500.0
TYPICAL_FLUID_PER_L = 8.2


@dataclass(frozen=True, slots=True)
class Figure:
    """One number that may be given: its group, name, words, unit and the range that makes sense."""

    group: str
    name: str
    words: str
    unit: str
    low: float
    high: float

    @property
    def default(self) -> float | None:
        """The value taken when nothing is given; None: nothing is assumed."""
        made = GROUPS.get(self.group)
        known = {} if made is None else {one.name: one.default for one in fields(made)}
        value = known.get(self.name)
        return None if value is MISSING else value


@dataclass(frozen=True, slots=True)
class Choice:
    """One word out of several that may be given."""

    group: str
    name: str
    words: str
    allowed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fluid:
    """Data-sheet figures; None takes the house fluid's or the typical ones."""

    kind: str = ""
    density_kg_m3: float | None = None
    kv40_mm2_s: float | None = None
    kv100_mm2_s: float | None = None
    strength_pct: float | None = None

    @property
    def law(self) -> FluidLaw:
        """How its volume moves with temperature."""
        strength = None if self.strength_pct is None else self.strength_pct / 100.0
        return FluidLaw(self.kind or OIL, self.density_kg_m3, strength)

    @property
    def is_oil(self) -> bool:
        """True for a lubricating oil, the kind taken when none is named."""
        return self.kind in ("", OIL)


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Temperatures in °C: fluid when the plug comes out, shed, tray and jug when read, new fluid."""

    drain_start_c: float = 70.0
    shed_c: float = 18.0
    tray_c: float = 20.0
    jug_c: float = 70.0
    fill_c: float = 20.0
    cold_c: float = 30.0
    window_low_c: float | None = None
    window_high_c: float | None = None
    arrival_c: float | None = None
    reading_c: float | None = None


@dataclass(frozen=True, slots=True)
class Measures:
    """What was measured and how far it can be trusted; None: not measured, the plan's figure stands in."""

    drain_h: float = 16.0
    tray_l: float | None = None
    jug_l: float | None = None
    arrival_mm: float | None = None
    reading_mm: float | None = None
    level_tolerance_mm: float | None = None
    band_l: float | None = None
    strength_found_pct: float | None = None
    strength_wanted_pct: float | None = None
    overfill_risk_pct: float = 5.0
    tray_error_pct: float = 5.0
    jug_error_pct: float = 3.0
    pack_error_pct: float = 1.5
    scale_error_pct: float = 1.0
    jug_error_c: float = 5.0
    stick_error_mm: float = 5.0
    measured_by: str = "reading"
    level_by: str = ""


@dataclass(frozen=True, slots=True)
class Rates:
    """Money, in the depot's currency; the defaults are typical and stand for nobody's books.

    fluid_per_l: None takes the packs of the unit's product, and without any the typical price.
    """

    labour_per_h: float = 58.0
    off_road_per_h: float = 13.0
    fluid_per_l: float | None = None
    kit_per_job: float = 7.0
    machine_per_job: float = 15.0
    limit_km: float = 75_000.0
    one_more_pour: float = 4.0
    taking_out: float = 14.0


@dataclass(frozen=True, slots=True)
class BenchInput:
    """A checked request. `card`: figures typed, alone or over those of the unit.

    With `new_fluid_l` the method is tried with those litres; else the litres are planned to the target share.
    """

    unit: str = ""
    product: str = ""
    card: Mapping[str, Any] = field(default_factory=dict)
    method: str = ""
    target_share: float | None = None
    new_fluid_l: float | None = None
    allowed_methods: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    night_is_free: bool = True
    fluid: Fluid = Fluid()
    temperatures: Temperatures = Temperatures()
    measures: Measures = Measures()
    rates: Rates = Rates()


GROUPS = {"fluid": Fluid, "temperatures": Temperatures, "measures": Measures, "rates": Rates}
_T, _M, _R = "temperatures", "measures", "rates"
FIGURES: Mapping[str, Figure] = {
    one.name: one
    for one in (
        Figure("", "target_share", "Target share", "", 0.01, 0.99),
        Figure("", "new_fluid_l", "New fluid to try", "L", 0.0, 3 * MOST_L),
        Figure("card", "total_fill_l", "Total fill", "L", 0.1, MOST_L),
        Figure("card", "quick_drain_l", "Quick drain", "L", 0.0, MOST_L),
        Figure("card", "overnight_drain_l", "Overnight drain", "L", 0.0, MOST_L),
        Figure("card", "sump_l", "Sump", "L", 0.2, MOST_L),
        Figure("card", "converter_l", "Converter", "L", 0.1, MOST_L),
        Figure("card", "cooler_l", "Cooler and lines", "L", 0.0, MOST_L),
        Figure("card", "passages_l", "Passages", "L", 0.1, MOST_L),
        Figure("card", "heel_l", "Heel below the plug", "L", 0.0, MOST_L),
        Figure("card", "converter_drainback_l", "Drains back from the converter", "L", 0.0, MOST_L),
        Figure("card", "passages_drainback_l", "Drains back from the passages", "L", 0.0, MOST_L),
        Figure("card", "pickup_l", "Pump pickup uncovered at", "L", 0.0, MOST_L),
        Figure("card", "swirl_l", "Swirl margin", "L", 0.0, MOST_L),
        Figure("card", "bleed_l", "Litres of one bleeding", "L", 0.0, MOST_L),
        Figure("card", "turnover", "Passages turned over", "per L", 0.0, 4.0),
        Figure("card", "bleed", "Converter leak", "per L", 0.0, 0.5),
        Figure("card", "cooler_flow_l_min", "Cooler flow", "L/min", 0.1, 100.0),
        Figure("card", "pump_seconds_cap", "Longest run, hose off", "s", 5.0, 600.0),
        Figure("card", "jug_mark_l", "Jug graduation", "L", 0.05, 10.0),
        Figure("card", "jug_capacity_l", "Jug holds", "L", 0.1, MOST_L),
        Figure("card", "ml_per_mm", "Stick scale", "mL/mm", 0.5, 2000.0),
        Figure("card", "stick_ref_c", "Hot target at", "°C", 0.0, 130.0),
        Figure("fluid", "strength_pct", "Coolant strength", "% by volume", 20.0, 70.0),
        Figure("fluid", "density_kg_m3", "Density at 15 °C", "kg/m³", 801.0, 1163.0),
        Figure("fluid", "kv40_mm2_s", "Viscosity at 40 °C", "mm²/s", 2.0, 2000.0),
        Figure("fluid", "kv100_mm2_s", "Viscosity at 100 °C", "mm²/s", 1.1, 100.0),
        Figure(_T, "drain_start_c", "Fluid when the plug comes out", "°C", -40.0, 150.0),
        Figure(_T, "shed_c", "Shed", "°C", -40.0, 60.0),
        Figure(_T, "tray_c", "Tray when read", "°C", -40.0, 150.0),
        Figure(_T, "jug_c", "Jug when read", "°C", -40.0, 150.0),
        Figure(_T, "fill_c", "New fluid", "°C", -40.0, 100.0),
        Figure(_T, "cold_c", "Cold check at", "°C", -40.0, 100.0),
        Figure(_T, "window_low_c", "Level counts from", "°C", -40.0, 150.0),
        Figure(_T, "window_high_c", "Level counts up to", "°C", -40.0, 150.0),
        Figure(_T, "arrival_c", "Fluid at that reading", "°C", -40.0, 150.0),
        Figure(_T, "reading_c", "Fluid at this reading", "°C", -40.0, 150.0),
        Figure(_M, "drain_h", "Left to drain", "h", 0.0, 96.0),
        Figure(_M, "tray_l", "In the tray", "L", 0.0, MOST_L),
        Figure(_M, "jug_l", "In the jug, all stages", "L", 0.0, 3 * MOST_L),
        Figure(_M, "arrival_mm", "Stick on arrival", "mm", -300.0, 300.0),
        Figure(_M, "reading_mm", "Stick reading to judge", "mm", -300.0, 300.0),
        Figure(_M, "level_tolerance_mm", "Level is right within", "± mm", 0.1, 100.0),
        Figure(_M, "band_l", "Low cold mark to target", "L", 0.0, 20.0),
        Figure(_M, "strength_found_pct", "Coolant strength found", "% by volume", 0.0, 100.0),
        Figure(_M, "strength_wanted_pct", "Coolant strength wanted", "% by volume", 0.0, 100.0),
        Figure(_M, "overfill_risk_pct", "Accepted overfill chance", "%", 0.1, 50.0),
        Figure(_M, "tray_error_pct", "Tray within", "± %", 0.0, 30.0),
        Figure(_M, "jug_error_pct", "Jug within", "± %", 0.0, 30.0),
        Figure(_M, "pack_error_pct", "Packs within", "± %", 0.0, 30.0),
        Figure(_M, "scale_error_pct", "Scale within", "± %", 0.0, 30.0),
        Figure(_M, "jug_error_c", "Jug temperature within", "± °C", 0.0, 40.0),
        Figure(_M, "stick_error_mm", "Stick within", "± mm", 0.0, 100.0),
        Figure(_R, "labour_per_h", "Labour", "per h", 0.0, 10_000.0),
        Figure(_R, "off_road_per_h", "Off the road", "per h", 0.0, 10_000.0),
        Figure(_R, "fluid_per_l", "Fluid", "per L", 0.0, 10_000.0),
        Figure(_R, "kit_per_job", "Kit", "per job", 0.0, 100_000.0),
        Figure(_R, "machine_per_job", "Machine", "per job", 0.0, 100_000.0),
        Figure(_R, "limit_km", "Mean age limit", "km", 100.0, 2_000_000.0),
        Figure(_R, "one_more_pour", "One more pour", "each", 0.01, 10_000.0),
        Figure(_R, "taking_out", "Taking fluid out", "each", 0.01, 10_000.0),
    )
}
CHOICES: Mapping[str, Choice] = {
    one.name: one
    for one in (
        Choice("", "method", "Method", TITLES),
        Choice("fluid", "kind", "Kind of fluid", tuple(FLUID_KINDS)),
        Choice("card", "unit_kind", "Kind of unit", tuple(TYPICAL_SHARES)),
        Choice(_M, "measured_by", "Measured by", ("reading", "weighing")),
        Choice(_M, "level_by", "Level set by", ("stick", "standpipe")),
    )
}
_BY_PLACE = {(one.group, one.name): one for one in (*FIGURES.values(), *CHOICES.values())}
TOP_LEVEL = ("unit", "product", "allowed_methods", "steps", "night_is_free", "card", *GROUPS)


class BenchRefused(InputError):
    """A request the bench cannot use; `places` holds the way to each wrong member and its sentence."""

    def __init__(self, places: list[tuple[tuple[str, ...], str]]) -> None:
        nested: dict[str, Any] = {}
        for path, sentence in places:
            here = nested
            for step in path[:-1]:
                here = here.setdefault(step, {})
            here[path[-1] if path else "non_field_errors"] = sentence
        super().__init__(
            places[0][1] if len(places) == 1 else f"{len(places)} figures cannot be used.", fields=nested
        )
        self.places = places


def read_request(data: Any) -> BenchInput:
    """Check a request and return it; raises BenchRefused naming every wrong member with one sentence each."""
    if not isinstance(data, Mapping):
        raise BenchRefused([((), "A request is one JSON object; see the schema.")])
    wrong: list[tuple[tuple[str, ...], str]] = []
    given: dict[str, Any] = {}
    for name, value in data.items():
        if name == "card" or name in GROUPS:
            made = _group(name, value, wrong)
            given[name] = made if name == "card" else GROUPS[name](**made)
        elif value is None:
            continue
        elif name in TOP_LEVEL:
            given[name] = _plain(name, value, wrong)
        else:
            given[name] = _checked("", name, value, wrong)
    if not given.get("unit") and not given.get("card", {}).get("total_fill_l") and not wrong:
        wrong.append(((), "Name a unit, or give a card with at least its total fill."))
    if given.get("target_share") is not None and given.get("new_fluid_l") is not None:
        wrong.append((("new_fluid_l",), "Give a target share or litres to try, not both."))
    if wrong:
        raise BenchRefused(wrong)
    return BenchInput(**given)


def _group(name: str, value: Any, wrong: list[tuple[tuple[str, ...], str]]) -> dict[str, Any]:
    if not isinstance(value, Mapping):
        wrong.append(((name,), f"“{name}” is an object with named figures."))
        return {}
    found = {inner: _checked(name, inner, one, wrong) for inner, one in value.items() if one is not None}
    return {inner: one for inner, one in found.items() if one is not None}


def _plain(name: str, value: Any, wrong: list[tuple[tuple[str, ...], str]]) -> Any:
    if name in ("unit", "product"):
        if isinstance(value, str) and "\x00" not in value:
            return value.strip()[:80]
        wrong.append(((name,), f"A {name} is named by its code, as text."))
    elif name == "steps":
        return read_steps(value, wrong)
    elif name == "night_is_free":
        if isinstance(value, bool):
            return value
        wrong.append((("night_is_free",), "Write true or false."))
    elif not isinstance(value, list) or not value:
        wrong.append((("allowed_methods",), "Give a list with at least one method."))
    else:
        for place, one in enumerate(value):
            if one not in METHODS:
                wrong.append(
                    (
                        ("allowed_methods", str(place)),
                        f"“{one}” is no method; allowed are {', '.join(METHODS)}.",
                    )
                )
        return tuple(str(one) for one in value)
    return None


def _checked(group: str, name: str, value: Any, wrong: list[tuple[tuple[str, ...], str]]) -> Any:
    """Return a figure or word when it can be used; else note why not and return None."""
    path = (group, name) if group else (str(name),)
    one = _BY_PLACE.get((group, name))
    if one is None:
        known = [*TOP_LEVEL] * (not group) + [inner for place, inner in _BY_PLACE if place == group]
        wrong.append((path, f"“{name}” is not known here; known are {', '.join(known)}."))
        return None
    if isinstance(one, Choice):
        if value in one.allowed:
            return value
        wrong.append((path, f"{one.words} “{value}” is not known; choose one of {', '.join(one.allowed)}."))
        return None
    if not is_finite_number(value):
        wrong.append((path, f"{one.words} is not a number; leave it out when it is not known."))
        return None
    if not one.low <= value <= one.high:
        wrong.append((path, _outside(one, value)))
        return None
    return float(value)


def _outside(one: Figure, value: float) -> str:
    unit = f" {one.unit.removeprefix('± ')}" if one.unit else ""
    if value < 0.0 <= one.low:
        return f"{one.words} is {value:g}{unit}; it cannot be below zero."
    return f"{one.words}: {value:g}{unit} is outside {one.low:g} to {one.high:g}{unit}; measure or read it again."


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a request."""
    properties: dict[str, Any] = {
        "unit": {
            "type": ["string", "null"],
            "description": "Code of a unit on record; figures in “card” go over its own.",
        },
        "product": {
            "type": ["string", "null"],
            "description": "Code of a fluid on record; its figures and packs go before those of the unit's own.",
        },
        **dict(_described("")),
        "steps": steps_schema(),
        "allowed_methods": {"type": ["array", "null"], "minItems": 1, "items": {"enum": list(METHODS)}},
        "night_is_free": {"type": ["boolean", "null"], "default": True},
    }
    for group in ("card", *GROUPS):
        properties[group] = {
            "type": "object", "additionalProperties": False, "properties": dict(_described(group)),
        }  # fmt: skip
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Request to the exchange bench",
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
        "anyOf": [
            {"required": ["unit"]},
            {"required": ["card"], "properties": {"card": {"required": ["total_fill_l"]}}},
        ],
        "not": {"required": ["target_share", "new_fluid_l"]},
    }


def _described(group: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for (place, name), one in _BY_PLACE.items():
        if place != group:
            continue
        if isinstance(one, Choice):
            yield name, {"enum": [*one.allowed, None], "description": one.words}
            continue
        described = {"type": ["number", "null"], "minimum": one.low, "maximum": one.high}
        described["description"] = f"{one.words}, {one.unit}" if one.unit else one.words
        if one.default is not None:
            described["default"] = one.default
        yield name, described
