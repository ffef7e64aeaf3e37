"""The measuring tools of the depots a person sees."""

from django.db.models import QuerySet

from shop.models import MeasuringTool, Person
from shop.selectors.access import depots_of

TOOL_KINDS = MeasuringTool.Kind.choices
LIMIT_UNITS = MeasuringTool.LimitUnit.choices


def tools_of(person: Person) -> QuerySet[MeasuringTool]:
    """Return the measuring tools of the person's depots."""
    return MeasuringTool.objects.filter(depot__in=depots_of(person)).select_related("depot")


def tool_find(person: Person, code: str) -> MeasuringTool | None:
    """Return a tool the person may see, or None."""
    return tools_of(person).filter(code=code).first()


def tools_to_choose(person: Person) -> dict[str, list[MeasuringTool]]:
    """Return the tools in use by kind, for the form of a job."""
    found: dict[str, list[MeasuringTool]] = {kind: [] for kind in MeasuringTool.Kind.values}
    for tool in tools_of(person).filter(is_out_of_use=False).order_by("code"):
        found[tool.kind].append(tool)
    return found
