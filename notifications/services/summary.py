"""One day of every depot in one object, for a screen or a script."""

import datetime
from collections import defaultdict
from dataclasses import asdict, dataclass
from typing import Any

from notifications.models import Mail
from shop.models import DueLine, Person, ProposedLine
from shop.selectors.due import OVERLAYS, in_working_order, states_of
from shop.selectors.due_today import explained
from shop.selectors.orders import WHEN


@dataclass(frozen=True, slots=True)
class Summary:
    """What stands for a day: due lines in working order, the ordering list, and the mails."""

    as_of: datetime.date
    due_states: dict[str, int]
    overlays: dict[str, list[str]]
    due: list[dict[str, Any]]
    order_list: list[dict[str, Any]]
    mail: list[dict[str, Any]]
    sign_ins: list[str]

    def as_data(self) -> dict[str, Any]:
        """Return the summary as plain data for JSON."""
        data = asdict(self)
        data["as_of"] = self.as_of.isoformat()
        del data["sign_ins"]
        return data


def day_summary(as_of: datetime.date) -> Summary:
    """Gather the day from the stored lines, proposals and mails of all depots."""
    lines = explained(
        in_working_order(DueLine.objects.select_related("vehicle__depot", "unit", "rule")), as_of
    )
    overlays: dict[str, list[str]] = defaultdict(list)
    for line in lines:
        for overlay in line.overlays:
            if line.vehicle.number not in overlays[overlay]:
                overlays[overlay].append(line.vehicle.number)
    return Summary(
        as_of=as_of,
        due_states=states_of(lines),
        overlays={name: sorted(overlays.get(name, [])) for name in OVERLAYS},
        due=[_due(line) for line in lines],
        order_list=[
            _order(line)
            for line in sorted(
                ProposedLine.objects.select_related("depot", "product", "supplier"),
                key=lambda line: (WHEN.index(line.when), line.depot.code, line.product.code),
            )
        ],
        mail=[
            {
                "to": mail.to_address,
                "kind": mail.kind,
                "subject": mail.subject,
                "local_day": mail.local_day.isoformat(),
                "state": mail.state,
            }
            for mail in Mail.objects.filter(local_day=as_of).order_by("to_address", "kind")
        ],
        sign_ins=list(Person.objects.filter(is_active=True).values_list("username", flat=True)),
    )


def _due(line: DueLine) -> dict[str, Any]:
    return {
        "vehicle": line.vehicle.number,
        "depot": line.vehicle.depot.code,
        "unit": line.unit.code,
        "subject": line.rule.subject,
        "state": line.state,
        "overlays": line.overlays,
        "used_share": line.used_share,
        "due_date": _iso(line.due_on),
        "range": None if line.due_low_on is None else [_iso(line.due_low_on), _iso(line.due_high_on)],
        "book_by": _iso(line.book_by),
        "binding_clock": line.clock or None,
        "due_clock": line.due_clock or None,
        "sentence": line.sentence,
    }


def _order(line: ProposedLine) -> dict[str, Any]:
    return {
        "depot": line.depot.code,
        "product": line.product.code,
        "name": line.product.name,
        "when": line.when,
        "need_l": line.need_l,
        "free_l": line.free_l,
        "net_l": line.net_l,
        "order_l": line.order_l,
        "packs": line.facts["packs"],
        "supplier": line.supplier.name if line.supplier else None,
        "cost": None if line.cost is None else float(line.cost),
        "currency": line.depot.currency,
        "left_over_l": line.left_over_l,
        "latest_order_day": _iso(line.latest_order_day),
        "cut_off": line.facts["cut_off"],
        "jobs": line.facts["jobs"],
        "falls": line.facts["falls"],
        "parts": line.facts["parts"],
        "sentence": line.sentence,
    }


def _iso(day: datetime.date | None) -> str | None:
    return day.isoformat() if day else None
