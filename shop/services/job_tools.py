"""Which tray, jug, scale and stick a job was measured with, and what they do to its litres."""

import datetime
from dataclasses import dataclass
from math import isfinite
from typing import Protocol

from intervals.errors import HatchmarkError
from intervals.exchange.tool_errors import stick_slope
from shop.errors import InputError
from shop.models import Job, MeasuringTool, Person
from shop.selectors.measuring import tools_of

KINDS = {
    "tray": MeasuringTool.Kind.TRAY,
    "jug": MeasuringTool.Kind.JUG,
    "scale": MeasuringTool.Kind.SCALE,
    "stick": MeasuringTool.Kind.STICK,
}
LEARNED_FROM = (
    "drain_minutes", "drain_start_c", "shed_c", "arrival_mm", "arrival_temp_c", "moved_ml", "moved_from_mm",
    "moved_to_mm",
)  # fmt: skip
"""What a job may note beside its litres so that drains, sticks and tools can be learned."""

LONGEST_DRAIN_MIN = 14 * 24 * 60.0
_RANGES = {
    "drain_minutes": (0.0, LONGEST_DRAIN_MIN), "drain_start_c": (-40.0, 160.0), "shed_c": (-40.0, 60.0),
    "arrival_mm": (-500.0, 500.0), "arrival_temp_c": (-40.0, 160.0), "moved_ml": (-5000.0, 5000.0),
    "moved_from_mm": (-500.0, 500.0), "moved_to_mm": (-500.0, 500.0),
}  # fmt: skip
"""Values outside are slips of the pen. House default."""


class Noted(Protocol):
    """The part of a job report this module reads."""

    done_on: datetime.date
    tray: str
    jug: str
    scale: str
    stick: str
    moved_ml: float | None
    moved_from_mm: float | None
    moved_to_mm: float | None


@dataclass(frozen=True, slots=True)
class JobTools:
    """The tools of one job, None where none was named."""

    tray: MeasuringTool | None = None
    jug: MeasuringTool | None = None
    scale: MeasuringTool | None = None
    stick: MeasuringTool | None = None

    def set_on(self, job: Job) -> None:
        """Note them on a job (not saved)."""
        job.tray, job.jug, job.scale, job.stick = self.tray, self.jug, self.scale, self.stick

    def out_factor(self, day: datetime.date) -> float:
        """Return the litres one litre read in the tray really is."""
        return 1.0 if self.tray is None else 1.0 - self.tray.error_on(day)

    def in_factor(self, day: datetime.date) -> float:
        """Return the litres one litre read in the jug really is."""
        return 1.0 if self.jug is None else 1.0 - self.jug.error_on(day)

    def remarks(self, day: datetime.date) -> list[str]:
        """Return what has to be said about them: corrected readings, calibrations that ran out."""
        found = [
            f"{tool.kind.capitalize()} {tool.code} reads {abs(share):.1%} {'high' if share > 0 else 'low'}; corrected."
            for tool in (self.tray, self.jug)
            if tool is not None and (share := tool.error_on(day))
        ]
        return found + [
            f"Calibration of {tool.kind} {tool.code} ended {tool.calibrated_until}."
            for tool in (self.tray, self.jug, self.scale, self.stick)
            if tool is not None and not tool.is_calibrated_on(day)
        ]


def job_tools(person: Person, report: Noted) -> JobTools:
    """Return the tools a report names.

    Raises InputError naming the field of one that is not there, of another kind or out of use.
    """
    codes = {name: code for name in KINDS if (code := getattr(report, name).strip())}
    if not codes:
        return JobTools()
    known = {tool.code: tool for tool in tools_of(person).filter(code__in=codes.values())}
    wrong, found = {}, {}
    for name, code in codes.items():
        tool = known.get(code)
        if tool is None:
            wrong[name] = (
                f"There is no {name} “{code}” in your depots; choose one of the list, or add it first."
            )
        elif tool.kind != KINDS[name]:
            wrong[name] = f"{code} is a {tool.kind}, not a {name}; choose the {name} it was measured with."
        elif tool.is_out_of_use:
            wrong[name] = f"{code} is out of use; measure again with another {name}."
        else:
            found[name] = tool
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    return JobTools(**found)


def learned_from_faults(report: Noted) -> dict[str, str]:
    """Return field → sentence for what a report notes to learn from and cannot be."""
    wrong = {}
    for name, (low, high) in _RANGES.items():
        value = getattr(report, name)
        if value is not None and not (isfinite(value) and low <= value <= high):
            wrong[name] = f"{value:g} cannot be; allowed: {low:g} to {high:g}, or leave it empty."
    moved = {name: getattr(report, name) for name in ("moved_ml", "moved_from_mm", "moved_to_mm")}
    missing = [name for name, value in moved.items() if value is None]
    if missing and len(missing) < len(moved):
        wrong |= dict.fromkeys(
            missing, "A measured correction needs the millilitres and the stick before and after."
        )
    elif not missing and not wrong.keys() & moved.keys():
        try:
            stick_slope(report.moved_ml, report.moved_from_mm, report.moved_to_mm)
        except HatchmarkError as error:
            wrong["moved_ml"] = str(error)
    return wrong
