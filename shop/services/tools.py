"""Measuring tools: added and changed by hand."""

import datetime
from dataclasses import asdict, dataclass
from math import isfinite

from django.core.exceptions import ValidationError
from django.db import transaction

from shop import clock
from shop.errors import InputError, NotAllowed
from shop.models import Depot, MeasuringTool, Person
from shop.models.codes import in_addresses
from shop.selectors.access import depots_of
from shop.services.changes import change_note, changes_write

MOST_ERROR_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class ToolReport:
    """A tool as a person describes it. limit, reading_error_share: None means not known, never zero."""

    code: str
    depot: str
    kind: str
    limit: float | None = None
    limit_unit: str = "%"
    calibrated_until: datetime.date | None = None
    is_out_of_use: bool = False
    reading_error_share: float | None = None
    note: str = ""


def tool_write(person: Person, report: ToolReport) -> MeasuringTool:
    """Add a tool, or change the one of this code; what is the same already changes nothing.

    A reading error that differs from the one on record counts from today, source house. Raises NotAllowed for a role
    that may not change unit data, InputError naming the fields that are wrong.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change measuring tools; ask the foreman.")
    with transaction.atomic():
        held = MeasuringTool.objects.select_for_update(of=("self",)).filter(code=report.code).first()
        depot = _checked(person, report, held)
        values = asdict(report) | {"depot": depot}
        error = values.pop("reading_error_share")
        tool = held or MeasuringTool()
        if error != tool.reading_error_share:
            known = error is not None
            values |= {
                "reading_error_share": error,
                "error_source": "house" if known else "",
                "error_since": clock.today(depot.time_zone) if known else None,
            }
        before = {name: getattr(tool, name, None) for name in values} if held else None
        if before == values:
            return tool
        for name, value in values.items():
            setattr(tool, name, value)
        tool.save()
        changes_write([change_note(tool, tool.code, before=before, after=values)], person=person)
    return tool


def _checked(person: Person, report: ToolReport, held: MeasuringTool | None) -> Depot:
    """Return the tool's depot. Raises InputError."""
    wrong: dict[str, str] = {}
    depots = {depot.code: depot for depot in depots_of(person)}
    try:
        in_addresses(report.code)
    except ValidationError as error:
        wrong["code"] = " ".join(error.messages)
    if not report.code.strip():
        wrong["code"] = "What is written on it? Give it a code, e.g. T1."
    if held is not None and held.depot_id not in {depot.pk for depot in depots.values()}:
        wrong["code"] = f"{report.code} is taken by a tool of another depot; choose another code."
    if report.depot not in depots:
        wrong["depot"] = f"“{report.depot}” is none of your depots; allowed: {', '.join(sorted(depots))}."
    if report.kind not in MeasuringTool.Kind.values:
        wrong["kind"] = f"“{report.kind}” is no kind; allowed: {', '.join(MeasuringTool.Kind.values)}."
    else:
        wrong |= _faults_of_kind(report, MeasuringTool.Kind(report.kind))
    if wrong:
        raise InputError(" ".join(wrong.values()), fields=wrong)
    return depots[report.depot]


def _faults_of_kind(report: ToolReport, kind: MeasuringTool.Kind) -> dict[str, str]:
    wrong = {}
    units = MeasuringTool.LIMIT_UNITS[kind]
    if report.limit is not None and not (isfinite(report.limit) and report.limit >= 0):
        wrong["limit"] = f"{report.limit:g} cannot be; write zero or more, or leave it empty."
    if report.limit is not None and report.limit_unit not in units:
        wrong["limit_unit"] = (
            f"The limit of a {kind} is given in {' or '.join(units)}, not in {report.limit_unit}."
        )
    error = report.reading_error_share
    if error is not None and kind not in (MeasuringTool.Kind.TRAY, MeasuringTool.Kind.JUG):
        wrong["reading_error_share"] = (
            f"Only a tray or jug is corrected by one, not a {kind}; leave it empty."
        )
    elif error is not None and not (isfinite(error) and abs(error) <= MOST_ERROR_SHARE):
        wrong["reading_error_share"] = (
            "A reading error of more than half of the reading cannot be; compare again."
        )
    return wrong
