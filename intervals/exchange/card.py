"""The unit card: what the exchange model knows about a gearbox, axle, engine, cooler, brake or hydraulic
system.

Figures on a card come from the maker, the house, closed jobs or a guess; `sources` says which, figure by
figure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

from intervals.errors import CardError, QuantityError

GUESS = "guess"
FROM_CARD = "card"
SUM_TOLERANCE_L = 0.05
LEAST_PART_SHARE = 1 / 250
"""House default: a stirred part under this share of the fill is a slip of the keyboard, not a part."""
STAGE_SHARE_OF_USABLE = 0.9

STOP_RULES = (
    "Stop the engine when the litres of the stage are in the jug.",
    "Stop at the first bubbles or surging in the hose.",
    "Stop when the pump whines.",
    "Stop when the seconds are up, whatever is in the jug.",
    "Stop when nothing has flowed after 20 seconds; the thermostat may be shut or the wrong hose may be off.",
)

_COMPARTMENTS = (
    "sump_l",
    "converter_l",
    "cooler_l",
    "passages_l",
    "heel_l",
    "converter_drainback_l",
    "passages_drainback_l",
    "pickup_l",
    "swirl_l",
)


@dataclass(frozen=True, slots=True)
class UnitCard:
    """Volumes (L at 20 °C) and level data of one unit model; None means not known, never zero.

    Attributes:
        total_fill_l: all the fluid in the unit.
        quick_drain_l, overnight_drain_l: out hot in ten minutes; out after a day.
        bleed_l: new fluid one bleeding takes (brakes).
        unit_kind: a key of `TYPICAL_SHARES`, used only when no drained figure is known.
        sump_l, converter_l, cooler_l, passages_l: the parts, at running level; together the total fill.
        heel_l: left in the sump below the plug.
        converter_drainback_l, passages_drainback_l: run back into the sump overnight.
        pickup_l, swirl_l: sump volume at which the pump pickup uncovers; margin on top of it.
        turnover: passages turned over per litre of cooler flow, 0 to 4.
        bleed: converter-to-sump leak per litre of cooler flow, 0 to 0.5.
        mixing: mixing number of the one-number formula, 0 (pure push) to 1 (stirred).
        cooler_flow_l_min: idle flow in the cooler line.
        pump_seconds_cap: longest engine run with the hose off, s.
        jug_mark_l, jug_capacity_l: graduation and top mark of the jug.
        ml_per_mm, stick_ref_c: sump millilitres per mm of stick; temperature at which the target is 0 mm.
        sources: field name -> maker, house, learned or guess.
    """

    total_fill_l: float
    quick_drain_l: float | None = None
    overnight_drain_l: float | None = None
    bleed_l: float | None = None
    unit_kind: str | None = None
    sump_l: float | None = None
    converter_l: float | None = None
    cooler_l: float | None = None
    passages_l: float | None = None
    heel_l: float | None = None
    converter_drainback_l: float | None = None
    passages_drainback_l: float | None = None
    pickup_l: float | None = None
    swirl_l: float | None = None
    turnover: float = 2.0
    bleed: float = 0.0
    mixing: float | None = None
    cooler_flow_l_min: float | None = None
    pump_seconds_cap: float = 60.0
    jug_mark_l: float = 0.25
    jug_capacity_l: float | None = None
    ml_per_mm: float | None = None
    stick_ref_c: float | None = None
    sources: Mapping[str, str] = field(default_factory=dict, hash=False)

    @property
    def has_compartments(self) -> bool:
        """True when every part is known, so that a method can be simulated instead of estimated."""
        return all(getattr(self, name) is not None for name in _COMPARTMENTS)


@dataclass(frozen=True, slots=True)
class Compartments:
    """The parts of a card that has them all, L; see `UnitCard`."""

    sump_l: float
    converter_l: float
    cooler_l: float
    passages_l: float
    heel_l: float
    converter_drainback_l: float
    passages_drainback_l: float
    pickup_l: float
    swirl_l: float

    @property
    def total_l(self) -> float:
        """All four parts together, L."""
        return self.sump_l + self.converter_l + self.cooler_l + self.passages_l

    @property
    def drainback_l(self) -> float:
        """Litres that fill converter and passages again when the engine starts after a night."""
        return self.converter_drainback_l + self.passages_drainback_l

    @property
    def floor_l(self) -> float:
        """Least sump volume with the engine running: pickup plus swirl margin."""
        return self.pickup_l + self.swirl_l


@dataclass(frozen=True, slots=True)
class StageLimit:
    """Most litres of one engine run with the hose off, its seconds (None: flow unknown) and its source."""

    litres: float
    seconds: float | None
    source: str
    sentence: str


@dataclass(frozen=True, slots=True)
class StartCheck:
    """Whether the engine may be started after `poured_l`; None where the unit card cannot say."""

    ok: bool
    in_sump_l: float | None
    needed_l: float | None
    least_pour_l: float
    sentence: str


def compartments_of(card: UnitCard) -> Compartments:
    """The card's parts as plain numbers. Raises CardError when one of them is not known."""
    values = [getattr(card, name) for name in _COMPARTMENTS]
    missing = [name for name, value in zip(_COMPARTMENTS, values, strict=True) if value is None]
    if missing:
        raise CardError(f"The unit card does not give {', '.join(_words(name) for name in missing)}.")
    return Compartments(*values)


def check_card(card: UnitCard) -> None:
    """Refuse a card whose figures contradict each other.

    Args:
        card: the unit card.

    Raises:
        CardError: one sentence naming the first figure that is wrong.
    """
    for name in (f.name for f in fields(card) if f.name not in ("sources", "unit_kind")):
        value = getattr(card, name)
        if value is None:
            continue
        if not math.isfinite(value):
            raise CardError(
                f"{_words(name).capitalize()} is not a number; leave it empty when it is not known."
            )
        if value < 0.0 and name != "stick_ref_c":
            raise CardError(f"{_words(name).capitalize()} is {value:g}; it cannot be below zero.")
    for name in (
        "total_fill_l",
        "sump_l",
        "converter_l",
        "passages_l",
        "cooler_flow_l_min",
        "jug_mark_l",
        "ml_per_mm",
    ):
        if getattr(card, name) == 0.0:
            raise CardError(f"{_words(name).capitalize()} is 0; leave it empty when it is not known.")
    for part, whole in (
        ("quick_drain_l", "total_fill_l"),
        ("overnight_drain_l", "total_fill_l"),
        ("quick_drain_l", "overnight_drain_l"),
        ("sump_l", "total_fill_l"),
        ("heel_l", "sump_l"),
        ("pickup_l", "sump_l"),
        ("converter_drainback_l", "converter_l"),
        ("passages_drainback_l", "passages_l"),
    ):
        low, high = getattr(card, part), getattr(card, whole)
        if low is not None and high is not None and low > high:
            raise CardError(
                f"{_words(part).capitalize()} of {low:g} L is more than {_words(whole)} of {high:g} L."
            )
    if card.turnover > 4.0 or card.bleed > 0.5:
        raise CardError("Turnover must lie in 0 to 4 and bleed in 0 to 0.5 per litre of cooler flow.")
    if card.mixing is not None and card.mixing > 1.0:
        raise CardError(f"Mixing is {card.mixing:g}; it must lie in 0 (pure push) to 1 (stirred).")
    if card.has_compartments:
        _check_parts(card, compartments_of(card))


def _check_parts(card: UnitCard, c: Compartments) -> None:
    least_l = LEAST_PART_SHARE * c.total_l
    for name in ("sump_l", "converter_l", "passages_l"):
        if getattr(c, name) < least_l:
            raise CardError(
                f"{_words(name).capitalize()} of {getattr(c, name):g} L is too little of {c.total_l:g} L for a part "
                f"of its own; add it to another part, or leave the parts empty."
            )
    if abs(c.total_l - card.total_fill_l) > SUM_TOLERANCE_L:
        raise CardError(
            f"Sump, converter, cooler and passages add up to {c.total_l:.2f} L but the total fill is "
            f"{card.total_fill_l:.2f} L."
        )
    if c.floor_l >= c.sump_l:
        raise CardError(
            f"Pickup and swirl margin of {c.floor_l:g} L leave nothing of the sump of {c.sump_l:g} L for the "
            f"pump."
        )
    if card.quick_drain_l is not None and card.quick_drain_l > c.sump_l + SUM_TOLERANCE_L:
        raise CardError(
            f"Quick drain of {card.quick_drain_l:g} L is more than the sump of {c.sump_l:g} L can give."
        )
    most_l = c.sump_l + c.drainback_l
    if card.overnight_drain_l is not None and card.overnight_drain_l > most_l + SUM_TOLERANCE_L:
        raise CardError(
            f"Overnight drain of {card.overnight_drain_l:g} L is more than the sump and what drains back, "
            f"{most_l:g} L."
        )


def stage_limit(card: UnitCard, short_l: float = 0.0) -> StageLimit:
    """Most litres that may leave the unguarded sump in one engine run.

    With the hose off nothing returns, so the sump falls litre for litre: limit = round down(min(0.9 (S - P -
    w), jug, flow for the allowed seconds), jug mark). Without sump and pickup: a quarter of the quick drain,
    at most 1 L.

    Args:
        card: the unit card.
        short_l: litres the refill was short before the stages.

    Returns:
        The limit; its source is 'guess' when sump or pickup are not known. Zero litres means no stage is
        safe.

    Raises:
        QuantityError: `short_l` missing or negative.
    """
    if not 0.0 <= short_l < math.inf:
        raise QuantityError(f"A refill short by {short_l:g} L is not usable; give litres, zero or more.")
    if card.sump_l is not None and card.pickup_l is not None and card.swirl_l is not None:
        usable_l = card.sump_l - short_l - card.pickup_l - card.swirl_l
        raw_l, source = STAGE_SHARE_OF_USABLE * usable_l, FROM_CARD
        why = f"{usable_l:.2f} L stand above pickup and swirl margin"
    else:
        raw_l = min(1.0, 0.25 * card.quick_drain_l) - short_l if card.quick_drain_l is not None else 0.0
        source, why = GUESS, "guess: the unit card does not give sump, pickup and swirl margin"
    if card.cooler_flow_l_min is not None:
        raw_l = min(raw_l, card.cooler_flow_l_min * card.pump_seconds_cap / 60.0)
    if card.jug_capacity_l is not None:
        raw_l = min(raw_l, card.jug_capacity_l)
    litres = max(0.0, math.floor(raw_l / card.jug_mark_l + 1e-9) * card.jug_mark_l)
    return StageLimit(
        litres, stage_seconds(card, litres), source, f"At most {litres:.2f} L in one stage ({why})."
    )


def stage_seconds(card: UnitCard, litres: float) -> float | None:
    """Seconds of engine run for `litres` at the card's idle cooler flow; None when the flow is not known."""
    return None if card.cooler_flow_l_min is None else 60.0 * litres / card.cooler_flow_l_min


def start_check(card: UnitCard, poured_l: float, drained_l: float | None = None) -> StartCheck:
    """Whether the engine may be started after an overnight drain and a pour.

    Starting fills converter and passages first: heel + poured - drained back >= pickup + swirl margin.
    Without these figures everything that drained overnight must go back in first.

    Args:
        card: the unit card.
        poured_l: litres poured since the drain.
        drained_l: litres that came out; used when the parts are not known, else the card's overnight figure.

    Returns:
        The check, with the least pour that may be started.

    Raises:
        QuantityError: a missing or negative pour.
        CardError: neither the parts nor the litres that drained are known.
    """
    if not 0.0 <= poured_l < math.inf:
        raise QuantityError(f"{poured_l:g} L poured is not usable; give litres, zero or more.")
    if not card.has_compartments:
        least_l = card.overnight_drain_l if drained_l is None else drained_l
        if least_l is None:
            raise CardError(
                "The unit card gives neither parts nor an overnight drain; enter the litres that came out."
            )
        is_ok = poured_l >= least_l - 1e-9
        sentence = (
            "Everything that drained is back in; the engine may be started."
            if is_ok
            else f"Do not start: pour at least the {least_l:.2f} L that drained; the card does not give "
            f"the parts."
        )
        return StartCheck(is_ok, None, None, least_l, sentence)
    c = compartments_of(card)
    in_sump_l = c.heel_l + poured_l - c.drainback_l
    least_l = max(0.0, c.floor_l + c.drainback_l - c.heel_l)
    if in_sump_l >= c.floor_l - 1e-9:
        return StartCheck(
            True, in_sump_l, c.floor_l, least_l, f"The sump keeps {in_sump_l:.1f} L; needs {c.floor_l:.1f} L."
        )
    sentence = (
        f"Do not start: {max(0.0, in_sump_l):.1f} L would be left in the sump, the pump needs "
        f"{c.floor_l:.1f} L. "
        f"Pour at least {least_l:.2f} L in all first."
    )
    return StartCheck(False, in_sump_l, c.floor_l, least_l, sentence)


def _words(name: str) -> str:
    plain = {"ml_per_mm": "mL per mm", "stick_ref_c": "stick temperature", "cooler_flow_l_min": "cooler flow"}
    return plain.get(name, name.removesuffix("_l").replace("_", " "))
