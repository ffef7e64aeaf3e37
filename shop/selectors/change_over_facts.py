"""What a plan to change from one fluid to another shows."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class UnitChange:
    """A unit's next job and the fluid it takes.

    next_on: None when not known, on hold, or the vehicle leaves; what is due already counts as today. litres: of the
    fluid it takes. takes: code of that fluid, empty when day or litres are not known. packs: the packs the old fluid
    comes from. why_not: why the new fluid may not go in, so that the unit stays with the old one. rinse: why what is
    in it must be rinsed out first.
    """

    unit: str
    unit_model: str
    vehicle: str
    next_on: date | None
    litres: float | None
    takes: str
    packs: str
    strength: str
    why_not: str
    rinse: str


@dataclass(frozen=True, slots=True)
class LotLeft:
    """Litres of the old fluid that no job takes, and why.

    last_day: None when no use-by is known. act_on: the day to find another use for them.
    """

    depot: str
    label: str
    litres: float
    last_day: date | None
    act_on: date
    reason: str


@dataclass(frozen=True, slots=True)
class ShelfUsed:
    """One shelf of the old fluid used up.

    usable_l: what may be poured. lasts_until: the day it ends at the present rate, None when the rate is not known.
    last_old_on, first_new_on: the last job with the old fluid and the first with the new one.
    """

    depot: str
    usable_l: float
    litres_per_year: float
    lasts_until: date | None
    last_old_on: date | None
    first_new_on: date | None
    on_order_l: float


@dataclass(frozen=True, slots=True)
class Reserved:
    """An open reservation of the old fluid."""

    unit: str
    litres: float
    made_on: date


@dataclass(frozen=True, slots=True)
class Rinse:
    """Something that still holds the old fluid; litres None when not known, share of the smallest fill it goes into."""

    what: str
    litres: float | None
    share: float | None
    how: str


@dataclass(frozen=True, slots=True)
class Step:
    """One step, with the day it is to be done on."""

    day: date
    what: str


@dataclass(frozen=True, slots=True)
class JobInRow:
    """A job of a row and the day it is planned for; where that is later than the row's last day it comes forward."""

    unit: str
    planned_on: date
    comes_forward: bool


@dataclass(frozen=True, slots=True)
class FluidRow:
    """Jobs with the new fluid to do in a row, the last of them by a day."""

    last_day: date
    jobs: tuple[JobInRow, ...]


@dataclass(frozen=True, slots=True)
class PurgeSaved:
    """What a yard saves by doing its jobs with the new fluid in a row.

    purge_l: new fluid run to waste at each change of fluid in the filling line, None when not typed; litres then cannot
    be said. jobs: purges when each unit has its own; days_planned: by the days planned. per_unit_l: litres of a purge
    for each unit; saved_l: litres the rows save against that.
    """

    depot: str
    purge_l: float | None
    jobs: int
    days_planned: int
    per_unit_l: float | None
    saved_l: float | None
    rows: tuple[FluidRow, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class ChangePlan:
    """The plan: shelves, units, what is left over, what to rinse, and the steps in order.

    basis: what each approval of the new fluid rests on. units_unknown: units of whose next job nothing can be said.
    stays: unit models the new fluid may not go into. purges: by yard, where a job takes the new fluid.
    """

    old: str
    old_name: str
    new: str
    new_name: str
    as_of: date
    units: tuple[UnitChange, ...]
    shelves: tuple[ShelfUsed, ...]
    left: tuple[LotLeft, ...]
    rinses: tuple[Rinse, ...]
    reserved: tuple[Reserved, ...]
    basis: tuple[str, ...]
    changing: tuple[str, ...]
    stays: tuple[str, ...]
    units_unknown: int
    first_new_on: date | None
    order_by: date | None
    supplier: str
    purges: tuple[PurgeSaved, ...]
    steps: tuple[Step, ...]
    sentence: str
