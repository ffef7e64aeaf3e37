"""The flow through many units at once: stage maps of a cooler line, step powers of a machine.

The same Runge-Kutta steps as `share_curve`, so shares agree to rounding. For a cooler line the old shares are
written as differences to the sump (p: converter, q: passages), because p and q need nothing else:
p' = -(1 + b)/C p - t, q' = -r/G q - t, t = (b p + r q)/(S - v). A machine keeps the sump full, so all its
steps are the same matrix and n steps are its n-th power. Source: mass balance of stirred parts.
"""

from dataclasses import dataclass

import numpy as np

from intervals.exchange.batch_jobs import BoolArray, IntArray, PushJobs, cautious
from intervals.exchange.curve import FloatArray, Piece


@dataclass(frozen=True, slots=True)
class StageMap:
    """One stage of many units; the first axis is the part the unit difference began in (p, q).

    Attributes:
        p, q, rise: differences at the stage's end, and how far the converter's old share moved.
        entered_l: old litres into the cooler beyond `litres run x old share of the converter`, after every
            step: (steps + 1, 2, guesses, units).
        risen: the same rise after every step, as `entered_l`.
        step_l: litres per step of each unit.
    """

    p: FloatArray
    q: FloatArray
    rise: FloatArray
    entered_l: FloatArray
    risen: FloatArray
    step_l: FloatArray


class Flow:
    """Where many units stand: old shares as differences to the sump, and old litres into the cooler."""

    __slots__ = ("converter", "entered_l", "p", "q")

    def __init__(self, jobs: PushJobs, guesses: int) -> None:
        shape = (guesses, jobs.size)
        self.p = np.array(np.broadcast_to(jobs.old_converter - jobs.old_sump, shape))
        self.q = np.array(np.broadcast_to(jobs.old_passages - jobs.old_sump, shape))
        self.converter = np.array(np.broadcast_to(jobs.old_converter, shape))
        self.entered_l = np.zeros(shape)

    def entered_at(self, stage: StageMap, step: IntArray) -> FloatArray:
        """Old litres into the cooler `step` steps into the next stage."""
        beyond = np.take_along_axis(stage.entered_l, step[None, None, None, :], axis=0)[0]
        return self._entered(beyond, step * stage.step_l)

    def piece_at(self, stage: StageMap, step: IntArray) -> Piece:
        """Old litres into the cooler between a step of the next stage and the one after."""
        return Piece(
            self.entered_at(stage, step), self.entered_at(stage, step + 1),
            self._slope_at(stage, step), self._slope_at(stage, step + 1),
        )  # fmt: skip

    def _slope_at(self, stage: StageMap, step: IntArray) -> FloatArray:
        risen = np.take_along_axis(stage.risen, step[None, None, None, :], axis=0)[0]
        return np.asarray((self.converter + risen[0] * self.p + risen[1] * self.q) * stage.step_l)

    def entered_at_end(self, stage: StageMap) -> FloatArray:
        """Old litres into the cooler when the next stage is over."""
        return self._entered(stage.entered_l[-1], (len(stage.entered_l) - 1) * stage.step_l)

    def _entered(self, beyond: FloatArray, ran_l: FloatArray) -> FloatArray:
        beyond_l = beyond[0] * self.p + beyond[1] * self.q
        return np.asarray(self.entered_l + ran_l * self.converter + beyond_l)

    def run_stage(self, stage: StageMap, kept: FloatArray, moves: BoolArray) -> None:
        """Run and refill one stage in the units that move; `kept` is the sump's share left before the pour."""
        entered = self.entered_at_end(stage)
        converter = self.converter + stage.rise[0] * self.p + stage.rise[1] * self.q
        p = stage.p[0] * self.p + stage.p[1] * self.q
        q = stage.q[0] * self.p + stage.q[1] * self.q
        sump = converter - p
        passages = sump + q
        sump = sump * kept
        for mine, new in (
            (self.p, converter - sump), (self.q, passages - sump), (self.converter, converter),
            (self.entered_l, entered),
        ):  # fmt: skip
            np.copyto(mine, new, where=moves)


def stage_map(jobs: PushJobs, r: FloatArray, b: FloatArray, stage_l: FloatArray, steps: int) -> StageMap:
    """Integrate one cooler-line stage of every job by fourth-order Runge-Kutta.

    Args:
        jobs: units with all parts.
        r, b: turnover and bleed of the guesses, broadcast to (guesses, jobs).
        stage_l: litres of the stage of each job.
        steps: Runge-Kutta steps of a stage, the same for all.

    Returns:
        The map from the stage's start to its end, with the path of what entered the cooler.
    """
    h = stage_l / steps
    ah, gh = (1.0 + b) / jobs.converter_l * h, r / jobs.passages_l * h
    shape = (2, *np.broadcast_shapes(ah.shape, gh.shape))
    diff = np.zeros((2, *shape))
    diff[0, 0] = diff[1, 1] = 1.0
    speed = np.stack(np.broadcast_arrays(ah, gh))[:, None]
    mixing = np.stack([np.broadcast_to(b, shape[1:]), np.broadcast_to(r, shape[1:])])[:, None]
    rise, path, risen = np.zeros(shape), np.zeros((steps + 1, *shape)), np.zeros((steps + 1, *shape))

    def fall(at: FloatArray, half_steps: int) -> FloatArray:
        towards_sump = at * mixing
        h_per_sump = h / (jobs.sump_l - half_steps * (h / 2.0))
        return np.asarray(at * speed + (towards_sump[0] + towards_sump[1]) * h_per_sump)

    sixth = ah / 6.0
    for i in range(steps):
        fall_1 = fall(diff, 2 * i)
        at_2 = diff - 0.5 * fall_1
        fall_2 = fall(at_2, 2 * i + 1)
        at_3 = diff - 0.5 * fall_2
        fall_3 = fall(at_3, 2 * i + 1)
        at_4 = diff - fall_3
        fall_4 = fall(at_4, 2 * i + 2)
        inner = at_2[0] + at_3[0]
        path[i + 1] = path[i] + h * (rise - sixth * (diff[0] + inner))
        risen[i + 1] = rise = rise - sixth * (diff[0] + 2.0 * inner + at_4[0])
        fall_2 += fall_3
        diff = diff - (fall_1 + 2.0 * fall_2 + fall_4) / 6.0
    return StageMap(diff[0], diff[1], rise, path, risen, h)


class MachineFlow:
    """Powers 1, 2, 4, ... of the step every machine run repeats, for many units and mixing guesses."""

    def __init__(self, jobs: PushJobs, r: FloatArray, b: FloatArray, most_steps: int) -> None:
        """Prepare powers up to `most_steps` steps of `jobs.machine_step_l`."""
        shape = np.broadcast_shapes(r.shape, b.shape, (1, jobs.size))
        h = self.step_l = jobs.machine_step_l
        x = np.zeros((3, 3, *shape))
        x[0, 0], x[0, 1], x[0, 2] = -(1.0 + b + r) * h / jobs.sump_l, b * h / jobs.sump_l, r * h / jobs.sump_l
        x[1, 0] = (1.0 + b) * h / jobs.converter_l
        x[1, 1] = -x[1, 0]
        x[2, 0] = r * h / jobs.passages_l
        x[2, 2] = -x[2, 0]
        one = np.eye(3)[:, :, None, None]
        mean = one + x / 4.0
        mean = one + _times(x, mean) / 3.0
        mean = one + _times(x, mean) / 2.0
        steps, entered = [one + _times(x, mean)], [h * mean[1]]
        while (1 << len(steps)) <= most_steps:
            entered.append(entered[-1] + _row_times(entered[-1], steps[-1]))
            steps.append(_times(steps[-1], steps[-1]))
        self._steps, self._entered = steps, entered
        self._begin = np.array(
            [np.broadcast_to(z, shape) for z in (jobs.old_sump, jobs.old_converter, jobs.old_passages)]
        )

    def below_target(self, jobs: PushJobs) -> tuple[IntArray, Piece]:
        """Last step whose cautious share is below target, and old litres entered from then to a step later."""
        z, entered = self._begin.copy(), np.zeros(self._begin.shape[1:])
        count = np.zeros(jobs.size, dtype=np.int64)
        for power in reversed(range(len(self._steps))):
            tried = entered + _dot(self._entered[power], z)
            moves = cautious(jobs.share_of(tried + jobs.cooler_l)) < jobs.target_share
            np.copyto(entered, tried, where=moves)
            np.copyto(z, _row_apply(self._steps[power], z), where=moves)
            count += np.where(moves, 1 << power, 0)
        return count, self._piece(entered, z)

    def piece_at(self, count: IntArray) -> Piece:
        """Old litres into the cooler from `count` steps to a step later."""
        z, entered = self._begin.copy(), np.zeros(self._begin.shape[1:])
        for power in range(len(self._steps)):
            moves = (count >> power & 1).astype(np.bool_)
            np.copyto(entered, entered + _dot(self._entered[power], z), where=moves)
            np.copyto(z, _row_apply(self._steps[power], z), where=moves)
        return self._piece(entered, z)

    def _piece(self, entered: FloatArray, z: FloatArray) -> Piece:
        after = entered + _dot(self._entered[0], z)
        return Piece(entered, after, z[1] * self.step_l, _dot(self._steps[0][1], z) * self.step_l)


def _times(left: FloatArray, right: FloatArray) -> FloatArray:
    return np.array([_row_times(row, right) for row in left])


def _row_times(row: FloatArray, right: FloatArray) -> FloatArray:
    return np.asarray(row[0] * right[0] + row[1] * right[1] + row[2] * right[2])


def _dot(row: FloatArray, z: FloatArray) -> FloatArray:
    return np.asarray(row[0] * z[0] + row[1] * z[1] + row[2] * z[2])


def _row_apply(step: FloatArray, z: FloatArray) -> FloatArray:
    return np.array([_dot(row, z) for row in step])
