"""Fewest litres of a pushing method for many units at once: first the litres, then equal stages.

Same rule as for one unit: the first litres on a 0.05 L grid whose cautious share reaches the target, pushed in
full stages, give the number of stages; equal stages on the jug's marks follow, raised mark by mark until the
cautious share reaches the target. Shares rise with litres, so the grid is bracketed instead of walked.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from intervals.exchange.batch_flow import Flow, MachineFlow, StageMap, stage_map
from intervals.exchange.batch_jobs import BLEEDS, TURNOVERS, BoolArray, IntArray, PushJobs, cautious, with_own
from intervals.exchange.curve import FloatArray, Piece

GRID_L = 0.05
UNITS_AT_ONCE = 256
COARSER = 6
COARSE_SHARE = 1e-3
GENTLE = 0.8
"""Largest turnover of any part in one coarse step; up to it shares err by less than COARSE_SHARE."""


@dataclass(frozen=True, slots=True)
class Pushed:
    """Stages, litres of each, and the best and cautious fresh share they bring; one entry per job."""

    stages: IntArray
    stage_l: FloatArray
    share: FloatArray
    low: FloatArray


class OneNumberPush:
    """Shares by the one-number formula, for cards without compartments."""

    def grid_steps(self, jobs: PushJobs) -> IntArray:
        """First place on the litre grid that reaches the target; see `push_many`."""
        below = np.full(jobs.size, -1)
        above = _last_grid(jobs) + 1
        while np.any(above - below > 1):
            middle = (below + above) // 2
            is_enough = (
                _one_number(jobs, np.asarray(middle * GRID_L), jobs.mixing_cautious) >= jobs.target_share
            )
            is_open = above - below > 1
            above = np.where(is_open & is_enough, middle, above)
            below = np.where(is_open & ~is_enough, middle, below)
        return above

    def shares(self, jobs: PushJobs, stages: IntArray, stage_l: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Best and cautious share after equal stages."""
        pushed_l = stages * stage_l
        return _one_number(jobs, pushed_l, jobs.mixing), _one_number(jobs, pushed_l, jobs.mixing_cautious)


class CoolerLinePush:
    """Shares by stage maps of the compartments, the engine stopping at every stage."""

    def grid_steps(self, jobs: PushJobs) -> IntArray:
        """A place on the litre grid that leads to the same stages as the first that reaches the target.

        Steps four times as long give shares within COARSE_SHARE. Where the target moved up and down by as much
        leads to the same stages, these are the stages; elsewhere the search is done again in full.
        """
        found = np.empty(jobs.size, dtype=np.int64)
        fine = jobs.steps_of(jobs.limit_l)
        coarse = -(-fine // COARSER)
        is_settled = np.zeros(jobs.size, dtype=np.bool_)
        for steps, index in _alike(coarse):
            some = jobs.take(index)
            stage = stage_map(some, TURNOVERS, BLEEDS, some.limit_l, steps)
            lower = self._search(_aiming(some, -COARSE_SHARE), stage, steps)
            found[index] = upper = self._search(_aiming(some, COARSE_SHARE), stage, steps)
            is_alike = np.array(_first_stages(some, lower)) == np.array(_first_stages(some, upper))
            is_settled[index] = is_alike.all(axis=0) & _is_gentle(some, stage)
        rest = np.flatnonzero(~is_settled)
        for steps, place in _alike(fine[rest]):
            some = jobs.take(rest[place])
            stage = stage_map(some, TURNOVERS, BLEEDS, some.limit_l, steps)
            found[rest[place]] = self._search(some, stage, steps)
        return found

    def _search(self, jobs: PushJobs, stage: StageMap, steps: int) -> IntArray:
        kept = (jobs.sump_l - jobs.limit_l) / jobs.sump_l
        flow = Flow(jobs, TURNOVERS.size)
        runs = np.zeros(jobs.size, dtype=np.int64)
        is_open = jobs.share_of(jobs.cooler_l) < jobs.target_share
        while np.any(is_open):
            at_end = cautious(jobs.share_of(flow.entered_at_end(stage) + jobs.cooler_l))
            is_past = jobs.cooler_l + runs * jobs.limit_l > jobs.most_l + GRID_L
            is_open &= (at_end < jobs.target_share) & ~is_past
            flow.run_stage(stage, kept, is_open)
            runs += is_open
        below, above = np.zeros(jobs.size, np.int64), np.full(jobs.size, steps)
        while np.any(above - below > 1):
            middle = (below + above) // 2
            low = cautious(jobs.share_of(flow.entered_at(stage, middle) + jobs.cooler_l))
            is_enough, is_apart = low >= jobs.target_share, above - below > 1
            above = np.where(is_apart & is_enough, middle, above)
            below = np.where(is_apart & ~is_enough, middle, below)
        piece = flow.piece_at(stage, np.minimum(below, steps - 1))
        return _grid_between(jobs, runs * steps + below, jobs.limit_l / steps, piece)

    def shares(self, jobs: PushJobs, stages: IntArray, stage_l: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Best and cautious share after equal stages."""
        pushed_l = stages * stage_l
        old_l = np.array(
            np.broadcast_to(np.minimum(pushed_l, jobs.cooler_l), (TURNOVERS.size + 1, jobs.size))
        )
        behind_l = pushed_l - jobs.cooler_l
        far = np.flatnonzero(behind_l > 0.0)
        for steps, place in _alike(jobs.take(far).steps_of(stage_l[far])):
            index = far[place]
            old_l[:, index] += self._entered(jobs.take(index), behind_l[index], stage_l[index], steps)
        shares = jobs.share_of(old_l)
        return shares[-1], cautious(shares)

    def _entered(self, jobs: PushJobs, behind_l: FloatArray, stage_l: FloatArray, steps: int) -> FloatArray:
        r, b = with_own(jobs)
        stage = stage_map(jobs, r, b, stage_l, steps)
        kept = (jobs.sump_l - stage_l) / jobs.sump_l
        place = behind_l / stage.step_l
        runs = np.maximum(1, np.ceil(behind_l / stage_l - 1e-9)).astype(np.int64)
        below = np.minimum(place.astype(np.int64), runs * steps - 1)
        flow = Flow(jobs, len(r))
        whole = below // steps
        for done in range(int(whole.max(initial=0))):
            flow.run_stage(stage, kept, whole > done)
        return flow.piece_at(stage, below % steps).at(place - below)


class MachinePush:
    """Shares by powers of one step, the sump kept full all the while."""

    def grid_steps(self, jobs: PushJobs) -> IntArray:
        """First place on the litre grid that reaches the target; see `push_many`."""
        found = np.empty(jobs.size, dtype=np.int64)
        for _, index in _alike(np.zeros(jobs.size, dtype=np.int64)):
            some = jobs.take(index)
            flow = MachineFlow(some, TURNOVERS, BLEEDS, _most_steps(some))
            step, piece = flow.below_target(some)
            found[index] = _grid_between(some, step, flow.step_l, piece)
        return found

    def shares(self, jobs: PushJobs, stages: IntArray, stage_l: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Best and cautious share after the litres of all stages."""
        pushed_l = stages * stage_l
        old_l = np.array(
            np.broadcast_to(np.minimum(pushed_l, jobs.cooler_l), (TURNOVERS.size + 1, jobs.size))
        )
        behind_l = np.maximum(pushed_l - jobs.cooler_l, 0.0)
        for _, index in _alike(np.zeros(jobs.size, dtype=np.int64)):
            some = jobs.take(index)
            place = behind_l[index] / some.machine_step_l
            below = place.astype(np.int64)
            flow = MachineFlow(some, *with_own(some), int(below.max(initial=0)))
            old_l[:, index] += flow.piece_at(below).at(place - below)
        shares = jobs.share_of(old_l)
        return shares[-1], cautious(shares)


def push_many(jobs: PushJobs, push: OneNumberPush | CoolerLinePush | MachinePush) -> Pushed:
    """Fewest litres whose cautious share reaches each job's target, in equal stages on the jug's marks.

    Args:
        jobs: the jobs; every limit above zero.
        push: how shares follow from litres.

    Returns:
        Stages, litres per stage and shares. A target out of reach ends at the largest litres tried.
    """
    found = push.grid_steps(jobs)
    stages, stage_l = _first_stages(jobs, found)
    share, low = np.empty(jobs.size), np.empty(jobs.size)
    todo = np.arange(jobs.size)
    while todo.size:
        some = jobs.take(todo)
        share[todo], low[todo] = push.shares(some, stages[todo], stage_l[todo])
        is_short = (low[todo] < some.target_share) & (stages[todo] * stage_l[todo] < some.most_l)
        todo, some = todo[is_short], some.take(np.flatnonzero(is_short))
        fits = stage_l[todo] + some.mark_l <= some.limit_l + 1e-9
        stage_l[todo] += np.where(fits, some.mark_l, 0.0)
        stages[todo] += ~fits
    return Pushed(stages, stage_l, share, low)


def _first_stages(jobs: PushJobs, found: IntArray) -> tuple[IntArray, FloatArray]:
    """Number and litres of equal stages that hold the litres found."""
    pushed_l = np.where(found <= _last_grid(jobs), found * GRID_L, jobs.most_l)
    stages = np.ceil(pushed_l / jobs.limit_l - 1e-9).astype(np.int64)
    marks = np.ceil(pushed_l / np.maximum(stages, 1) / jobs.mark_l - 1e-9)
    return stages, np.where(stages > 0, marks * jobs.mark_l, 0.0)


def _aiming(jobs: PushJobs, higher_share: float) -> PushJobs:
    return replace(jobs, target_share=jobs.target_share + higher_share)


def _is_gentle(jobs: PushJobs, stage: StageMap) -> BoolArray:
    """Whether no part is turned over so fast that a coarse step could be wrong by COARSE_SHARE."""
    most_r, most_b = TURNOVERS.max(), BLEEDS.max()
    fastest = np.maximum((1.0 + most_b) / jobs.converter_l, most_r / jobs.passages_l)
    fastest = np.maximum(fastest, (most_r + most_b) / (jobs.sump_l - jobs.limit_l))
    return np.asarray(fastest * stage.step_l <= GENTLE)


def _one_number(jobs: PushJobs, pushed_l: FloatArray, mixing: FloatArray) -> FloatArray:
    total_l = jobs.total_fill_l
    left_l = total_l - jobs.poured_l
    over = np.where(left_l > 0.0, left_l, 1.0)
    old = (1.0 - mixing) * np.maximum(0.0, 1.0 - pushed_l / over) + mixing * np.exp(-pushed_l / total_l)
    return np.where(left_l > 0.0, 1.0 - left_l / total_l * old, 1.0)


def _grid_between(jobs: PushJobs, step: IntArray, step_l: FloatArray, piece: Piece) -> IntArray:
    """First grid place that reaches the target, which lies between `step` and the one after.

    Up to the cooler's litres only old fluid leaves, whatever the mixing.
    """
    needed_l = jobs.target_share * jobs.parts_total_l - jobs.poured_l
    easy = np.maximum(np.floor(needed_l / GRID_L).astype(np.int64) - 1, 0)
    for _ in range(3):
        easy += jobs.share_of(np.minimum(easy * GRID_L, jobs.cooler_l)) < jobs.target_share
    first = np.floor((jobs.cooler_l + step * step_l) / GRID_L).astype(np.int64)
    first += np.maximum(first * GRID_L - jobs.cooler_l, 0.0) / step_l <= step
    is_short = np.ones(jobs.size, dtype=np.bool_)
    while np.any(is_short):
        way = np.maximum(first * GRID_L - jobs.cooler_l, 0.0) / step_l - step
        low = cautious(jobs.share_of(piece.at(way) + jobs.cooler_l))
        is_short &= (way < 1.0) & (low < jobs.target_share)
        first += is_short
    return np.where(jobs.share_of(jobs.cooler_l) >= jobs.target_share, easy, first)


def _last_grid(jobs: PushJobs) -> IntArray:
    return np.ceil((jobs.most_l + GRID_L) / GRID_L).astype(np.int64) - 1


def _most_steps(jobs: PushJobs) -> int:
    return int(np.ceil((jobs.most_l / jobs.machine_step_l).max(initial=0.0))) + 2


def _alike(steps: IntArray) -> Iterator[tuple[int, IntArray]]:
    """Jobs with as many steps per stage, a block that fits the cache at a time."""
    for value in np.unique(steps).tolist():
        group = np.flatnonzero(steps == value)
        for first in range(0, group.size, UNITS_AT_ONCE):
            yield value, group[first : first + UNITS_AT_ONCE]
