"""Which jobs will take which product in which of the weeks ahead.

Ordinary units are read in columns, one plan for each card; the units of vehicles with something special about them
(work begun or booked, held back, leaving, with a season or a severity) row by row.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from intervals.due import probabilities_due_by
from intervals.year_ahead import JobsAhead
from shop.models import Job
from shop.planning.demand import LITRES_SD_L
from shop.planning.weeks import FloatArray, JobsByWeek, chances_by_week, week_of, weeks_of
from shop.selectors.card_plans import CardPlans
from shop.selectors.column_reading import (
    UNKNOWN,
    Columns,
    chosen,
    day_number,
    flag,
    in_parts,
    joined,
    keys_of,
    one_of,
    place_of,
    rank_in,
    read_columns,
    taken,
)
from shop.selectors.exchange import UnitPlan
from shop.selectors.fluid_checks import part_of_product
from shop.selectors.line_clocks import LineArrays
from shop.selectors.line_columns import recorded_lines
from shop.selectors.lines_ahead import ahead_of_columns, ahead_of_objects
from shop.selectors.needs import (
    BOOKABLE_AFTER_DAYS,
    HOUSE_TURNS_UP_SHARE,
    IN_WINDOW,
    LEAST_CHANCE,
    candidates_of,
    litres_of,
    litres_sd_of,
)
from shop.selectors.what_if import FLUID, share_of

OF_JOB = ("unit", "vehicle", "product", "litres", "litres_sd", "carried_share", "reason")
"""What a unit's next job and those after it have in common; `reason` is the place of why no litres can be said."""


@dataclass(frozen=True, slots=True)
class ProductAhead:
    """The jobs of one product, by the numbers of their vehicles.

    unplanned: (key of the unit, why) of those whose litres cannot be said.
    """

    jobs: JobsByWeek
    unplanned: tuple[tuple[int, str], ...] = ()


def jobs_by_week(as_of: date, depot_pks: Collection[int], begins: Sequence[date]) -> dict[int, ProductAhead]:
    """Return product → the jobs of the weeks ahead.

    A unit's next job comes as surely by each week as it falls due by then, not before it can be booked; those after it
    on the day its clocks say, at the mean use ahead. Units in one vehicle whose windows are open are done together.
    Vehicles on hold or leaving are left out.

    begins: first day of each week (`planning.weeks.week_begins`).
    """
    weeks = _Weeks(as_of, begins)
    fitted = _fitted(as_of, depot_pks)
    reasons: list[str] = []
    cards = _Cards(fitted, reasons)
    parts = [_in_columns(weeks, cards, unit_pks) for unit_pks in in_parts(fitted["unit"])]
    jobs = Job.objects.filter(vehicle__depot__in=depot_pks, state__in=[*Job.MUST_NOT_MOVE, Job.State.BOOKED])
    with_others = np.isin(fitted["unit"], np.concatenate([np.zeros(0), *(part.others for part in parts)]))
    special = np.concatenate(
        [
            keys_of(jobs.values_list("vehicle", flat=True)),
            fitted["vehicle"][with_others],
            *(part.held_back for part in parts),
        ]
    )
    by_row = fitted["unit"][np.isin(fitted["vehicle"], special)]
    apart = _row_by_row(weeks, depot_pks, by_row, reasons)
    lines = [chosen(part.lines, ~np.isin(part.lines["vehicle"], special)) for part in parts]
    later = [chosen(part.later, ~np.isin(part.later["vehicle"], special)) for part in parts]
    found = dict.fromkeys(
        np.unique(np.concatenate([part.products for part in (*parts, apart)])).astype(int).tolist(),
        ProductAhead(JobsByWeek.none(len(begins))),
    )
    return found | _by_product(
        weeks, joined([*lines, apart.lines]), joined([*later, apart.later]), fitted["unit"], reasons
    )


class _Weeks:
    """The weeks looked at. days: how many days ahead the last of them ends."""

    def __init__(self, as_of: date, begins: Sequence[date]) -> None:
        self.as_of, self.begins = as_of, begins
        self.ends = [*begins[1:], begins[-1] + timedelta(days=7)]
        self.days = (self.ends[-1] - as_of).days - 1

    def chances(self, lines: LineArrays) -> FloatArray:
        """Return (n, T) the chance that each line is due by the end of each week; 0 where it cannot be said."""
        last_days = [float((end - self.as_of).days - 1) for end in self.ends]
        return np.nan_to_num(probabilities_due_by(lines.distance, lines.hours, lines.time, last_days))


class _Cards:
    """What a job takes by the card of its unit, in columns; litres are nan where that cannot be said."""

    def __init__(self, fitted: Columns, reasons: list[str]) -> None:
        self._cards = CardPlans(fitted["unit"], fitted["model"])
        table = [_of_plan(plan, reasons) for plan in self._cards.plans]
        self._table = np.array(table, dtype=np.float64).reshape(-1, 5)

    def of_units(self, unit_pks: FloatArray) -> Columns:
        """Return the figures of each unit's job; product is nan where its model names none."""
        rows = self._table[self._cards.places_of(unit_pks)].T
        return dict(zip(("product", "litres", "litres_sd", "reason", "fresh_share"), rows, strict=True))


def _of_plan(plan: UnitPlan, reasons: list[str]) -> tuple[float, ...]:
    product = plan.unit.unit_model.product
    if product is None:
        return np.nan, np.nan, LITRES_SD_L, _place_in(reasons, ""), share_of(plan)
    part = part_of_product(product, plan.figures)
    litres = litres_of(plan, part)
    return (
        float(product.pk), np.nan if litres is None else litres, litres_sd_of(plan, part),
        _place_in(reasons, plan.cannot_say), share_of(plan),
    )  # fmt: skip


def _place_in(reasons: list[str], reason: str) -> float:
    if reason not in reasons:
        reasons.append(reason)
    return float(reasons.index(reason))


@dataclass(frozen=True, slots=True)
class _Part:
    """Lines that may have a job, the jobs after their next one, and whom to read row by row instead.

    products: all the lines' products. others: keys of units left out. held_back: keys of vehicles of which a line is
    held back.
    """

    lines: Columns
    later: Columns
    products: FloatArray
    others: FloatArray
    held_back: FloatArray


def _fitted(as_of: date, depot_pks: Collection[int]) -> Columns:
    """Read the units fitted now, by the numbers of their vehicles."""
    return read_columns(
        {"unit": "q.unit", "vehicle": "q.vehicle", "model": "q.model"},
        "from (select f.unit_id as unit, f.vehicle_id as vehicle, u.unit_model_id as model from shop_fitting f "
        "join shop_vehicle v on v.id = f.vehicle_id join shop_unit u on u.id = f.unit_id "
        f"where f.removed_on is null and {one_of('v.depot_id', keys_of(depot_pks))} "
        "and (v.leaves_on is null or v.leaves_on >= %s) order by v.number, f.id) q",
        [as_of.isoformat()],
    )


def _in_columns(weeks: _Weeks, cards: _Cards, unit_pks: FloatArray) -> _Part:
    recorded = recorded_lines(weeks.as_of, unit_pks, FLUID)
    clocks = recorded.under(recorded.versions)
    stored = _stored(unit_pks)
    scale = max(stored["rule"].max(initial=0.0), clocks.rule.max(initial=0.0)) + 1.0
    place = place_of(clocks.unit * scale + clocks.rule, stored["unit"] * scale + stored["rule"])
    vehicles = _vehicles(np.unique(clocks.vehicle))
    of_vehicle = place_of(clocks.vehicle, vehicles["vehicle"])
    first_day = weeks.as_of.toordinal() + float(BOOKABLE_AFTER_DAYS)
    needed = np.fmax(
        np.fmax(taken(stored["book_by"], place), taken(vehicles["spare_from"], of_vehicle)), first_day
    )
    lines = {"unit": clocks.unit, "vehicle": clocks.vehicle, **cards.of_units(clocks.unit)} | {
        "carried_share": taken(vehicles["carried_share"], of_vehicle),
        "first_week": weeks_of(needed - weeks.as_of.toordinal(), weeks.begins).astype(np.float64),
        "is_in_window": taken(stored["is_in_window"], place),
        "chances": weeks.chances(clocks),
    }
    ahead = ahead_of_columns(recorded, recorded.versions, clocks)
    found = ahead.jobs(lines.pop("fresh_share"), weeks.days)
    is_coming = (place != UNKNOWN) & np.isfinite(lines["product"])
    later = _later(weeks, lines, found, is_coming)
    may_come = (lines["is_in_window"] > 0) | (lines["chances"][:, -1] >= LEAST_CHANCE)
    kept = is_coming & (may_come | np.isnan(lines["litres"]))
    held_back = np.unique(stored["vehicle"][stored["is_held_back"] > 0])
    products = np.unique(lines["product"][is_coming])
    return _Part(chosen(lines, kept), later, products, recorded.others, held_back)


def _stored(unit_pks: FloatArray) -> Columns:
    window, states = rank_in("d.state", IN_WINDOW)
    return read_columns(
        {
            "unit": "d.unit_id", "rule": "d.rule_id", "vehicle": "d.vehicle_id", "book_by": day_number("d.book_by"),
            "is_in_window": flag(f"{window} is not null"), "is_held_back": flag("d.overlays <> '[]'"),
        },
        f"from shop_dueline d where {one_of('d.unit_id', unit_pks)}",
        states,
    )  # fmt: skip


def _vehicles(pks: FloatArray) -> Columns:
    found = read_columns(
        {
            "vehicle": "v.id", "turns_up": "v.turns_up_share", "passes_gate": "v.passes_gate_share",
            "spare_from": day_number("v.spare_from"),
        },
        f"from shop_vehicle v where {one_of('v.id', pks)}",
    )  # fmt: skip
    turns_up = np.where(np.isnan(found["turns_up"]), HOUSE_TURNS_UP_SHARE, found["turns_up"])
    passes_gate = np.where(np.isnan(found["passes_gate"]), 1.0, found["passes_gate"])
    return found | {"carried_share": turns_up * passes_gate}


def _row_by_row(weeks: _Weeks, depot_pks: Collection[int], unit_pks: FloatArray, reasons: list[str]) -> _Part:
    inputs, found = candidates_of(
        weeks.as_of, depot_pks, defaultdict(lambda: weeks.days), unit_pks.astype(np.int64)
    )
    coming = [own for own in found if not own.is_put_off or own.put_off_until is not None]
    rows = np.array([own.row for own in coming], dtype=np.int64)
    chances = weeks.chances(inputs)[rows]
    chances[np.array([own.is_sure for own in coming], dtype=np.bool_)] = 1.0
    first_days = [max(own.needed_on, own.put_off_until or own.needed_on) for own in coming]
    lines = {
        "unit": keys_of(own.plan.unit.pk for own in coming),
        "vehicle": keys_of(own.vehicle.pk for own in coming),
        "product": keys_of(own.product_pk for own in coming),
        "litres": keys_of(np.nan if own.litres is None else own.litres for own in coming),
        "litres_sd": keys_of(own.litres_sd for own in coming),
        "reason": keys_of(_place_in(reasons, own.plan.cannot_say) for own in coming),
        "carried_share": keys_of(own.turns_up_share * own.passes_gate_share for own in coming),
        "first_week": keys_of(week_of(day, weeks.begins) for day in first_days),
        "is_in_window": keys_of(own.is_in_window for own in coming),
        "chances": chances,
    }
    shares = np.ones(len(inputs.lines))
    shares[rows] = [share_of(own.plan) for own in coming]
    ahead = ahead_of_objects(inputs).jobs(shares, weeks.days)
    place = np.full(len(inputs.lines), UNKNOWN)
    place[rows] = np.arange(len(rows))
    is_coming = place[ahead.lines] != UNKNOWN
    own = JobsAhead(place[ahead.lines[is_coming]], ahead.days[is_coming], ahead.is_known)
    later = _later(weeks, lines, own, np.ones(len(rows), dtype=np.bool_))
    nothing = np.zeros(0)
    return _Part(lines, later, np.unique(lines["product"]), nothing, nothing)


def _later(weeks: _Weeks, lines: Columns, found: JobsAhead, is_coming: npt.NDArray[np.bool_]) -> Columns:
    """Return the jobs after the next one of each line, in the week their day lies in."""
    is_again = np.ones(len(found.lines), dtype=np.bool_)
    is_again[np.unique(found.lines, return_index=True)[1]] = False
    is_again &= is_coming[found.lines]
    own = {name: lines[name][found.lines[is_again]] for name in OF_JOB}
    return own | {"week": weeks_of(found.days[is_again].astype(np.float64), weeks.begins).astype(np.float64)}


def _by_product(
    weeks: _Weeks, lines: Columns, later: Columns, units_in_order: FloatArray, reasons: list[str]
) -> dict[int, ProductAhead]:
    chances = chances_by_week(_together(lines), lines["first_week"].astype(np.int64), lines["carried_share"])
    again = np.zeros((len(later["week"]), len(weeks.begins)))
    again[np.arange(len(again)), later["week"].astype(np.int64)] = later["carried_share"]
    jobs = joined([{name: own[name] for name in OF_JOB} for own in (lines, later)])
    jobs["chances"] = np.concatenate([chances, again])
    has_litres = np.isfinite(jobs["litres"])
    jobs = chosen(jobs, ~has_litres | (jobs["chances"].sum(axis=1) >= LEAST_CHANCE))
    jobs = chosen(jobs, np.argsort(place_of(jobs["unit"], units_in_order), kind="stable"))
    found = {}
    for product in np.unique(jobs["product"]):
        own = chosen(jobs, jobs["product"] == product)
        is_planned = np.isfinite(own["litres"])
        counted, left_out = chosen(own, is_planned), chosen(own, ~is_planned)
        why = {
            int(unit): reasons[int(reason)]
            for unit, reason in zip(left_out["unit"], left_out["reason"], strict=True)
        }
        found[int(product)] = ProductAhead(
            JobsByWeek(counted["unit"], counted["litres"], counted["litres_sd"], counted["chances"]),
            tuple(why.items()),
        )
    return found


def _together(lines: Columns) -> FloatArray:
    """Return the chances, where units whose windows are open are as likely due as the likeliest of their vehicle."""
    chances, rows = lines["chances"].copy(), np.flatnonzero(lines["is_in_window"] > 0)
    if len(rows):
        rows = rows[np.argsort(lines["vehicle"][rows], kind="stable")]
        _, first, counts = np.unique(lines["vehicle"][rows], return_index=True, return_counts=True)
        chances[rows] = np.repeat(np.maximum.reduceat(chances[rows], first, axis=0), counts, axis=0)
    return chances
