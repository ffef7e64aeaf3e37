"""The jobs of the time to come, line by line, of lines read as objects or in columns."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from intervals.year_ahead import AheadClocks, JobsAhead, jobs_ahead, mean_rate, run_today
from shop.models import RuleVersion
from shop.selectors.core_inputs import CoreInputs
from shop.selectors.line_clocks import LineArrays
from shop.selectors.line_columns import RecordedLines

FloatArray = npt.NDArray[np.float64]
AGES = ("age_km", "age_days", "age_h")
"""In the order of the clocks: distance, calendar, hours."""


@dataclass(frozen=True, slots=True)
class LinesAhead:
    """n lines as their jobs ahead follow from them.

    Attributes:
        unit: (n,) keys.
        clocks: where they stand today, each clock at the mean use of the year ahead.
        assumed_freshness_share, cap_share, policies: (n,) of the rule.
        leaves_in_days: (n,) days until the vehicle leaves; inf where no day is known.
    """

    unit: FloatArray
    clocks: AheadClocks
    assumed_freshness_share: FloatArray
    cap_share: FloatArray
    policies: npt.NDArray[np.str_]
    leaves_in_days: FloatArray

    def jobs(self, shares: FloatArray, last_day: int) -> JobsAhead:
        """List the jobs from today to a day. shares: (n,) fresh share each job gives."""
        until = np.minimum(self.leaves_in_days, last_day).astype(np.int64)
        return jobs_ahead(
            self.clocks, shares, self.assumed_freshness_share, self.cap_share, self.policies, until
        )


def ahead_of_objects(inputs: CoreInputs) -> LinesAhead:
    """Return the lines read as objects."""
    lines = inputs.lines
    versions = [line.version for line in lines]
    ages = [[getattr(line.last, name, None) for line in lines] for name in AGES]
    leaves = [line.fitting.vehicle.leaves_on for line in lines]
    return LinesAhead(
        unit=np.array([line.fitting.unit_id for line in lines], dtype=np.float64),
        clocks=_clocks(inputs, np.array(ages, dtype=np.float64).T.reshape(len(lines), len(AGES))),
        assumed_freshness_share=np.array([own.assumed_freshness_share for own in versions], dtype=np.float64),
        cap_share=np.array([own.cap_share for own in versions], dtype=np.float64),
        policies=np.array([own.policy for own in versions], dtype=np.str_),
        leaves_in_days=np.array([(day - inputs.as_of).days if day else np.inf for day in leaves]),
    )


def ahead_of_columns(
    recorded: RecordedLines, versions: Sequence[RuleVersion], lines: LineArrays
) -> LinesAhead:
    """Return the lines read in columns; no ordinary vehicle has a leaving day.

    versions, lines: the rules and what `recorded` comes to under them.
    """
    return LinesAhead(
        unit=recorded.columns["unit"],
        clocks=_clocks(lines, np.stack([recorded.columns[name] for name in AGES], axis=1)),
        assumed_freshness_share=recorded.of_rule(versions, "assumed_freshness_share"),
        cap_share=recorded.of_rule(versions, "cap_share"),
        policies=recorded.policies(versions),
        leaves_in_days=np.full(len(recorded.version_rows), np.inf),
    )


def _clocks(lines: LineArrays, ages: FloatArray) -> AheadClocks:
    """Lay the three clocks of each line side by side, each at the mean use of the year ahead."""
    distance, time, hours = lines.distance, lines.time, lines.hours
    calendar = np.ones(len(ages))
    return AheadClocks(
        run=np.stack([run_today(distance), time.since_days, run_today(hours)], axis=1),
        next_run=np.stack([distance.next_run, time.next_days, hours.next_run], axis=1),
        interval=np.stack([distance.interval, time.interval_days, hours.interval], axis=1),
        rate_per_day=np.stack([mean_rate(distance), calendar, mean_rate(hours)], axis=1),
        age=ages,
    )
