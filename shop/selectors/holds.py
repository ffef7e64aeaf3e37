"""Everything that holds work back on a day: holds laid on by hand, signed deferrals, open recalls."""

import datetime
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from django.db.models import F, Max, Q, QuerySet

from shop.models import Hold, Reading, Recall
from shop.selectors.recalls import open_recalls

_REACHED = Q(until_total__isnull=False, reached__gte=F("until_total"))


@dataclass(frozen=True, slots=True)
class HoldFact:
    """One reason not to do the work now.

    Attributes:
        vehicle_pk: whose.
        unit_pk: the unit it is about; None: the whole vehicle.
        rule_pk: the due line it is about; None: all of them.
        kind: "recall", "stop gate" or "deferral".
        reason: in a sentence.
        from_day: first day it counts.
        until: first day it no longer counts; None: until somebody ends it.
        signed_by: who answers for it.
        recall_code: the recall, if it is one.
        is_stop_drive: the vehicle must not move.
    """

    vehicle_pk: int
    unit_pk: int | None
    rule_pk: int | None
    kind: str
    reason: str
    from_day: datetime.date
    until: datetime.date | None = None
    signed_by: str = ""
    recall_code: str = ""
    is_stop_drive: bool = False

    def covers(self, unit_pk: int, rule_pk: int) -> bool:
        """Say whether it holds back a unit's line."""
        return self.unit_pk in (None, unit_pk) and self.rule_pk in (None, rule_pk)


def holds_in_force(as_of: datetime.date) -> QuerySet[Hold]:
    """Return the holds laid on by hand and the deferrals that count on a day.

    One that lasts until a meter total is over once an accepted reading has reached it, or its day has come.
    """
    seen = Max(
        "until_meter__readings__true_total",
        filter=Q(
            until_meter__readings__status=Reading.Status.ACCEPTED,
            until_meter__readings__read_on__lte=as_of,
        ),
    )
    return (
        Hold.objects.filter(from_day__lte=as_of)
        .filter(Q(until__isnull=True) | Q(until__gt=as_of))
        .filter(Q(ended_on__isnull=True) | Q(ended_on__gt=as_of))
        .annotate(reached=seen)
        .exclude(_REACHED)
    )


def holds_on(as_of: datetime.date, vehicle_pks: Collection[int]) -> dict[int, list[HoldFact]]:
    """Return what holds back work on some vehicles on a day, by vehicle; a handful of queries."""
    found: dict[int, list[HoldFact]] = defaultdict(list)
    if not vehicle_pks:
        return found
    for hold in holds_in_force(as_of).filter(vehicle__in=vehicle_pks).order_by("-from_day", "pk"):
        found[hold.vehicle_id].append(
            HoldFact(
                hold.vehicle_id,
                hold.unit_id,
                hold.rule_id,
                hold.kind,
                hold.reason,
                hold.from_day,
                hold.until,
                hold.signed_by,
            )
        )
    for one in open_recalls(as_of, vehicle_pks):
        is_stop = one.recall.kind == Recall.Kind.STOP_DRIVE
        found[one.vehicle_pk].append(
            HoldFact(
                one.vehicle_pk,
                None if is_stop else one.unit_pk,
                None,
                Hold.Kind.RECALL,
                one.recall.title,
                one.recall.from_day,
                recall_code=one.recall.code,
                is_stop_drive=is_stop,
            )
        )
    return found
