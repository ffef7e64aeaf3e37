"""The exchange methods as data: what each needs, its cautions, its usual hours and what it costs."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from intervals.errors import QuantityError
from intervals.exchange.starts import (
    COOLER_LINE,
    DRAIN,
    MACHINE,
    OVERNIGHT,
    START_NONE,
    START_OVERNIGHT,
    START_QUICK,
)

REPEATED = "repeated drain-and-refill"
BLEED = "bleed"
TANK = "tank drain"
CYCLE_TANK = "cycle and tank"

PURGE_L = 0.2
HOLD_UP_SHARE = 0.03
PURGE_HOLD_UP_MOST_L = 0.5
HANDS_ON_H_PER_PUSHED_L = 0.08
HANDS_ON_H_PER_REPEAT, OFF_ROAD_H_PER_REPEAT = 0.9, 2.25

_HOT = "Hot fluid scalds: gloves, sleeves and face shield when the plug comes out; cool it as the maker says."
_LIFT = (
    "Work underneath only on stands or a locked lift; wheels chocked, key out until a step says engine on."
)
_RUNNING = (
    "Engine running: exhaust extraction on, one person at the key, one at the jug, an agreed word for STOP; "
    "never in gear on stands unless the maker's procedure says so."
)
_EMPTY = "Tag EMPTY - DO NOT START and lock the key away until the litres are in."
_MAKER = "The maker's current procedure, selector position and level window overrule this plan."


@dataclass(frozen=True, slots=True)
class Method:
    """One way of renewing fluid: its name, what it needs and the cautions printed with it."""

    name: str
    needs: tuple[str, ...]
    cautions: tuple[str, ...]


METHODS: Mapping[str, Method] = MappingProxyType(
    {
        m.name: m
        for m in (
            Method(DRAIN, ("drain plug or pan", "litres measured out"), (_LIFT, _HOT, _EMPTY, _MAKER)),
            Method(
                REPEATED,
                ("drain plug or pan", "a drive through all gears between the drains"),
                (
                    _LIFT,
                    _HOT,
                    _EMPTY,
                    "Without a drive between, the second drain takes out the new fluid.",
                    _MAKER,
                ),
            ),
            Method(
                OVERNIGHT,
                ("a night with vehicle and bay free", "no frost in the bay"),
                (_LIFT, _HOT, _EMPTY, "The engine may start only after the least pour is in.", _MAKER),
            ),
            Method(
                COOLER_LINE,
                ("an external cooler with its thermostat open", "the return hose known", "flow proved"),
                (
                    _LIFT,
                    _HOT,
                    _RUNNING,
                    "Take the return hose off before the first start and secure its end in the jug; a "
                    "blocked line "
                    "can throw fluid at several bar.",
                    "Never pump more than the stage limit: the pump runs dry.",
                    _MAKER,
                ),
            ),
            Method(
                MACHINE,
                ("an exchange machine holding this very fluid", "clean fluid without debris"),
                (
                    _LIFT,
                    _HOT,
                    _RUNNING,
                    "The hoses of the machine keep 0.5 to 2 L of the last fluid: never after another "
                    "specification.",
                    _MAKER,
                ),
            ),
            Method(
                BLEED,
                ("a bleeder or a second person", "fresh fluid from a sealed pack"),
                (
                    _LIFT,
                    "Brake work by authorised people only; a second person checks a firm pedal before it "
                    "moves.",
                    "Brake fluid is judged by its boiling point, not by its fresh share; it strips paint.",
                    _MAKER,
                ),
            ),
            Method(
                TANK,
                ("all cylinders retracted", "system without pressure"),
                (_LIFT, "Accumulators and lines to zero; never feel for a leak by hand.", _HOT, _MAKER),
            ),
            Method(
                CYCLE_TANK,
                ("all cylinders retracted for each drain", "room to move every function once in between"),
                (_LIFT, "Accumulators and lines to zero; nobody in the reach of boom or body.", _HOT, _MAKER),
            ),
        )
    }
)


@dataclass(frozen=True, slots=True)
class TypicalShare:
    """Ordinary service share of a kind of unit; common practice, no source, any figure overwrites it."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Share used when nothing better is known."""
        return 0.5 * (self.low + self.high)


TYPICAL_SHARES: Mapping[str, TypicalShare] = MappingProxyType(
    {
        "passenger automatic": TypicalShare(0.30, 0.50),
        "heavy automatic with filters": TypicalShare(0.60, 0.75),
        "variator box": TypicalShare(0.50, 0.75),
        "wet twin-clutch box": TypicalShare(0.80, 0.90),
        "manual box": TypicalShare(0.90, 0.97),
        "transfer case": TypicalShare(0.90, 0.97),
        "axle": TypicalShare(0.93, 0.98),
        "engine with filter": TypicalShare(0.92, 0.97),
        "cooling system, radiator only": TypicalShare(0.45, 0.70),
        "cooling system with block plugs": TypicalShare(0.85, 0.95),
        "brakes": TypicalShare(0.90, 0.98),
        "steering reservoir": TypicalShare(0.25, 0.40),
        "hydraulics, tank only": TypicalShare(0.40, 0.70),
    }
)


@dataclass(frozen=True, slots=True)
class WorkHours:
    """Hands-on hours and hours off the road of one job."""

    hands_on_h: float
    off_road_h: float


TYPICAL_HOURS: Mapping[tuple[str, str], WorkHours] = MappingProxyType(
    {
        (DRAIN, START_QUICK): WorkHours(1.1, 1.5),
        (REPEATED, START_QUICK): WorkHours(1.1, 1.5),
        (OVERNIGHT, START_OVERNIGHT): WorkHours(1.3, 3.0),
        (COOLER_LINE, START_OVERNIGHT): WorkHours(2.18, 4.0),
        (COOLER_LINE, START_QUICK): WorkHours(1.68, 3.0),
        (COOLER_LINE, START_NONE): WorkHours(1.4, 2.5),
        (MACHINE, START_QUICK): WorkHours(1.7, 2.3),
        (MACHINE, START_NONE): WorkHours(1.4, 2.0),
        (BLEED, START_NONE): WorkHours(1.0, 1.5),
        (TANK, START_QUICK): WorkHours(2.0, 3.0),
        (CYCLE_TANK, START_QUICK): WorkHours(3.5, 6.0),
    }
)


@dataclass(frozen=True, slots=True)
class MethodCosts:
    """Rates that turn a plan into money; the currency is the depot's.

    Attributes:
        labour_rate_h, off_road_rate_h: price of an hour's work; of an hour without the vehicle.
        fluid_price_l: price of a litre.
        limit_km: fluid age the unit may reach on average, km.
        kit: seals and small parts per job.
        machine: charge for the exchange machine per job.
    """

    labour_rate_h: float
    fluid_price_l: float
    off_road_rate_h: float
    limit_km: float
    kit: float = 0.0
    machine: float = 0.0


def work_hours(
    method: str,
    start: str,
    pushed_l: float = 0.0,
    drains: int = 1,
    hours: Mapping[tuple[str, str], WorkHours] = TYPICAL_HOURS,
) -> WorkHours:
    """Hours of one job; common practice, no source, until the depot's own jobs replace them.

    Args:
        method, start: the method and the drain before it.
        pushed_l: litres through the cooler line.
        drains: number of drains of a repeated drain-and-refill.
        hours: the depot's own hours per method and start.

    Returns:
        Hands-on and off-road hours.

    Raises:
        QuantityError: no hours for that method and start.
    """
    if (method, start) not in hours:
        raise QuantityError(
            f"No hours are given for '{method}' after '{start}'; add them to the table of hours."
        )
    base = hours[method, start]
    pushed_h = HANDS_ON_H_PER_PUSHED_L * pushed_l if method == COOLER_LINE else 0.0
    return WorkHours(
        base.hands_on_h + pushed_h + HANDS_ON_H_PER_REPEAT * (drains - 1),
        base.off_road_h + OFF_ROAD_H_PER_REPEAT * (drains - 1),
    )


def job_cost(costs: MethodCosts, hours: WorkHours, new_fluid_l: float, has_machine: bool = False) -> float:
    """Money for one job: labour, fluid, kit, machine and time off the road."""
    return (
        hours.hands_on_h * costs.labour_rate_h
        + new_fluid_l * costs.fluid_price_l
        + costs.kit
        + (costs.machine if has_machine else 0.0)
        + hours.off_road_h * costs.off_road_rate_h
    )


def cost_per_1000_km(cost: float, fresh_share: float, limit_km: float) -> float:
    """Money per 1 000 km bought: a job that renews the share f buys f times the fluid-age limit.

    Args:
        cost: money for the job.
        fresh_share: share renewed, above 0 to 1.
        limit_km: mean fluid-age limit, km, above zero.

    Returns:
        Money per 1 000 km.

    Raises:
        QuantityError: a share or limit that is not above zero.
    """
    if not 0.0 < fresh_share <= 1.0 or not limit_km > 0.0:
        raise QuantityError(
            "A cost per 1 000 km needs a fresh share above zero and a distance limit above zero."
        )
    return 1000.0 * cost / (fresh_share * limit_km)


def usual_purge_hold_up_l(new_fluid_l: float) -> float:
    """Purge of lines and what clings to packs: 0.2 L and 3 %, at most 0.5 L (common practice, no source)."""
    return min(PURGE_HOLD_UP_MOST_L, PURGE_L + HOLD_UP_SHARE * new_fluid_l)
