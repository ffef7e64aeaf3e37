"""The ordering list, grouped by how soon each line must be ordered."""

from dataclasses import dataclass

from shop.models import Person, ProposedLine
from shop.selectors.access import proposed_lines_of

WHEN = ["order today", "cannot say", "this week", "can wait", "nothing to order"]
ALWAYS_TOLD = WHEN[0]


@dataclass(frozen=True, slots=True)
class OrderGroup:
    """The lines of one urgency."""

    when: str
    lines: list[ProposedLine]


def order_groups(person: Person) -> list[OrderGroup]:
    """Return the person's proposed lines in groups, the most urgent first; of the empty ones only today's is kept."""
    lines = list(proposed_lines_of(person).order_by("latest_order_day", "product__code", "depot__code"))
    groups = [OrderGroup(when, [line for line in lines if line.when == when]) for when in WHEN]
    return [own for own in groups if own.lines or own.when == ALWAYS_TOLD]
