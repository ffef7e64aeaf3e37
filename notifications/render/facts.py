"""What the daily mail is made of: plain facts of one morning, already limited to what one person may see."""

from dataclasses import dataclass
from datetime import date, datetime, time


@dataclass(frozen=True, slots=True)
class HalfDone:
    """A vehicle that must not move: a job on one of its units is not finished, or a recall stops it.

    what: the unit in words. place: bay and depot. since: local time since when. out_l, in_l: litres so far;
    out_kg: what came out where it was weighed; None when not known. volume_unit: unit to show litres in.
    standing: the unit's due state in words. stopped_by: the recall that stops it; empty for an unfinished job.
    """

    vehicle: str
    unit_code: str
    what: str
    place: str
    state: str
    since: datetime | None = None
    out_l: float | None = None
    out_kg: float | None = None
    in_l: float | None = None
    volume_unit: str = "L"
    standing: str = ""
    stopped_by: str = ""


@dataclass(frozen=True, slots=True)
class DueItem:
    """One due line with what somebody needs to know before acting on it.

    used_share: used over limit of the deciding clock. used, limit, carried: in `unit` ("km", "mi", "h", "days").
    due_low_on, due_high_on: 10 % and 90 % dates. booked: local time of the next booking. bay: where the unit
    is being worked on now. missed: bookings missed since it was last done. spare_from: first day a spare
    vehicle can stand in.
    """

    vehicle: str
    unit_code: str
    what: str
    state: str
    overlays: tuple[str, ...] = ()
    used_share: float | None = None
    clock: str = ""
    used: float | None = None
    limit: float | None = None
    unit: str = ""
    carried: float | None = None
    due_on: date | None = None
    due_low_on: date | None = None
    due_high_on: date | None = None
    booked: datetime | None = None
    bay: str = ""
    missed: int = 0
    spare_from: date | None = None
    hold_reason: str = ""


@dataclass(frozen=True, slots=True)
class Booking:
    """A booking of this day; at: local time."""

    vehicle: str
    unit_code: str
    what: str
    at: time
    bay: str = ""


@dataclass(frozen=True, slots=True)
class OrderItem:
    """One proposed order line that is due today or this week.

    packs: the packs in words. net_l: litres short. cut_off: the supplier's local hour. vehicles: whose jobs
    are behind it.
    """

    product: str
    is_today: bool
    packs: str
    net_l: float
    supplier: str = ""
    cut_off: time | None = None
    latest_day: date | None = None
    vehicles: tuple[str, ...] = ()
    volume_unit: str = "L"


@dataclass(frozen=True, slots=True)
class LateDelivery:
    """An order whose day has passed and that has not come whole.

    order: its number, empty where it came from a file. what: litres and products in words. days: calendar days over
    the day named last. vehicles: whose jobs wait for it.
    """

    order: str
    supplier: str
    phone: str
    what: str
    days: int
    vehicles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Question:
    """Something only a person can answer; path: the page that takes the answer."""

    about: str
    ask: str
    path: str


@dataclass(frozen=True, slots=True)
class FullTank:
    """A waste tank whose collector is to be called today."""

    depot: str
    stream: str
    level_l: float
    capacity_l: float
    call_level_l: float
    volume_unit: str = "L"


@dataclass(frozen=True, slots=True)
class Yesterday:
    """What was closed the day before. in_l: litres that went in where known; unknown: jobs without litres."""

    closed: tuple[str, ...] = ()
    in_l: float = 0.0
    unknown: int = 0
    missed: tuple[str, ...] = ()
    volume_unit: str = "L"


@dataclass(frozen=True, slots=True)
class DigestInput:
    """One morning as one person may see it, each list in working order.

    failed, not_yet: depots whose run of this day failed or is still to come, so that their lines are older.
    """

    day: date
    depots: tuple[str, ...]
    site_url: str
    failed: tuple[str, ...] = ()
    not_yet: tuple[str, ...] = ()
    half_done: tuple[HalfDone, ...] = ()
    due: tuple[DueItem, ...] = ()
    bookings: tuple[Booking, ...] = ()
    orders: tuple[OrderItem, ...] = ()
    late_deliveries: tuple[LateDelivery, ...] = ()
    questions: tuple[Question, ...] = ()
    tanks: tuple[FullTank, ...] = ()
    yesterday: Yesterday = Yesterday()
