"""Interval rules: three clocks (distance, hours, months), whichever comes first, in versions by date."""

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

from intervals.errors import RuleError

FULL_CREDIT: Final = "full credit"
AGE_CREDIT: Final = "age credit"
BY_SAMPLE: Final = "by sample"
POLICIES: Final = (FULL_CREDIT, AGE_CREDIT, BY_SAMPLE)
_MONTHS_PER_YEAR: Final = 12


@dataclass(frozen=True, slots=True)
class Rule:
    """One version of a unit's interval rule.

    Attributes:
        applies_from: the first day on which this version holds.
        interval_km, interval_h, interval_months: the limits as written by the unit maker; None = no such
            clock.
        severity: divides distance and hours, never the calendar: fluid grows old in a parked vehicle
            whatever its duty.
        f_ref: the share of fresh fluid the interval takes for granted at each service, above 0 up to 1; 1
            when unknown.
        cap_share: how much of the interval the next one may reach; above 1 only when a named person has
            signed.
        policy: "full credit", "age credit" or "by sample".
        opens_share, closes_share: width of the service window before and after the limit, as shares of the
            interval. The usual tenth is the one of US Army DA PAM 750-8.
    """

    applies_from: date
    interval_km: float | None = None
    interval_h: float | None = None
    interval_months: int | None = None
    severity: float = 1.0
    f_ref: float = 1.0
    cap_share: float = 1.0
    policy: str = AGE_CREDIT
    opens_share: float = 0.10
    closes_share: float = 0.10

    def __post_init__(self) -> None:
        intervals = (self.interval_km, self.interval_h, self.interval_months)
        if all(value is None for value in intervals):
            raise RuleError("The rule has no clock. Give at least one of distance, hours and months.")
        for value in intervals:
            if value is not None and not (math.isfinite(value) and value > 0):
                raise RuleError(
                    f"Interval {value} is not usable. Allowed: above 0. Leave a clock empty to do without it."
                )
        if self.interval_months is not None and self.interval_months != int(self.interval_months):
            raise RuleError(
                f"{self.interval_months} months is not usable. Allowed: whole months. Round it down."
            )
        if not (math.isfinite(self.severity) and self.severity > 0):
            raise RuleError(f"Severity {self.severity} is not usable. Allowed: above 0; 1 is ordinary duty.")
        check_credit(self.f_ref, self.cap_share, self.policy)
        if not (0 <= self.opens_share < 1 and 0 <= self.closes_share < math.inf):
            raise RuleError(
                "The service window is not usable. Allowed: opens 0 to under 1, closes 0 or more."
            )

    @property
    def effective_km(self) -> float | None:
        """The distance limit after severity, km; None without a distance clock."""
        return None if self.interval_km is None else self.interval_km / self.severity

    @property
    def effective_h(self) -> float | None:
        """The hour limit after severity, h; None without an hour clock."""
        return None if self.interval_h is None else self.interval_h / self.severity

    @property
    def is_beyond_maker(self) -> bool:
        """Whether severity or cap stretch the interval past the maker's, which a named person must sign."""
        return self.severity < 1.0 or self.cap_share > 1.0


def check_credit(f_ref: float, cap_share: float, policy: str) -> None:
    """Check how a rule credits a partial change; raises RuleError naming what cannot be used."""
    if policy not in POLICIES:
        raise RuleError(f'"{policy}" is not a policy. Allowed: {", ".join(POLICIES)}. Choose one.')
    if f_ref <= 0 or f_ref > 1:
        raise RuleError(
            f"Assumed freshness {f_ref} is not usable. Allowed: above 0 up to 1. Use 1 when unknown."
        )
    if cap_share <= 0 or math.isinf(cap_share):
        raise RuleError(
            f"Cap {cap_share} is not usable. Allowed: above 0. Use 1 unless a named person signs more."
        )


def check_versions(versions: Sequence[Rule]) -> None:
    """Check that no two versions of one rule begin on the same day.

    Raises:
        RuleError: two versions begin on one day, so it cannot be said which one holds.
    """
    days = sorted(rule.applies_from for rule in versions)
    for first, second in pairwise(days):
        if first == second:
            raise RuleError(
                f"Two versions begin on {first.isoformat()}. Allowed: one a day. Delete or move one."
            )


def rule_on(versions: Sequence[Rule], day: date) -> Rule | None:
    """Return the version that holds on ``day``: the latest that has begun; None when none has."""
    check_versions(versions)
    begun = [rule for rule in versions if rule.applies_from <= day]
    return max(begun, key=lambda rule: rule.applies_from) if begun else None


def add_months(day: date, months: int) -> date:
    """Return the same day ``months`` later, or the last of that month where it has no such day."""
    year, month_index = divmod(day.year * _MONTHS_PER_YEAR + day.month - 1 + months, _MONTHS_PER_YEAR)
    month = month_index + 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))
