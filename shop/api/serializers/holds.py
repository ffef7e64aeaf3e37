"""Deferrals and recalls."""

from typing import Any

from rest_framework import serializers

from shop.models import Hold, Recall
from shop.selectors.deferrals import DeferralSight
from shop.selectors.recall_views import RecallView


class DeferralGiven(serializers.Serializer[Hold]):
    """Until when a due line is put off, why, and who signs."""

    subject = serializers.CharField(max_length=32, default="fluid")
    until = serializers.DateField(default=None, allow_null=True, help_text="The day it comes back.")
    until_total = serializers.CharField(
        default="",
        allow_blank=True,
        max_length=32,
        help_text="Or what its meter will show, in the meter's own unit.",
    )
    reason = serializers.CharField(default="", allow_blank=True, max_length=200)
    signed_by = serializers.CharField(default="", allow_blank=True, max_length=150)
    answers_for = serializers.CharField(
        default="",
        allow_blank=True,
        max_length=80,
        help_text="Who answers for a warranty or safety item that runs past due, or past its window.",
    )
    only_look = serializers.BooleanField(default=False, help_text="Say where it will stand and sign nothing.")


class SightRow(serializers.Serializer[DeferralSight]):
    """Where a line will stand on the day it comes back."""

    comes_back_on = serializers.DateField()
    until_total = serializers.FloatField(allow_null=True, help_text="True total of its meter, km or h.")
    share = serializers.FloatField(allow_null=True, help_text="Place in the interval on that day; 1 is due.")
    over_share = serializers.FloatField(help_text="How far past due then, a share of the interval.")
    state = serializers.CharField()
    asks_for = serializers.ListField(child=serializers.CharField())
    refusal = serializers.CharField()
    sentence = serializers.CharField()


class DeferralRow(serializers.ModelSerializer[Hold]):
    """A signed deferral."""

    vehicle = serializers.CharField(source="vehicle.number", read_only=True)
    unit = serializers.CharField(source="unit.code", default=None, read_only=True, allow_null=True)
    subject = serializers.CharField(source="rule.subject", default=None, read_only=True, allow_null=True)

    class Meta:
        model = Hold
        fields = (
            "id", "vehicle", "unit", "subject", "reason", "from_day", "until", "until_total", "signed_by",
            "answers_for", "share_then", "ended_on", "ended_by", "ended_why",
        )  # fmt: skip
        read_only_fields = fields


class WhyGiven(serializers.Serializer[Hold]):
    """Why a deferral ends before its day."""

    why = serializers.CharField(max_length=200)


class RecallGiven(serializers.Serializer[Recall]):
    """A notice as it came in."""

    code = serializers.CharField(max_length=24)
    title = serializers.CharField(max_length=120)
    source = serializers.CharField(max_length=120, help_text="Who issued it, where it can be read.")
    kind = serializers.ChoiceField(choices=Recall.Kind.values)
    from_day = serializers.DateField()
    text = serializers.CharField(default="", allow_blank=True, max_length=4000)
    changes_from = serializers.DateField(default=None, allow_null=True)
    unit_models = serializers.ListField(child=serializers.CharField(max_length=24), default=list)
    vehicles = serializers.ListField(child=serializers.CharField(max_length=24), default=list)


class ClosingGiven(serializers.Serializer[Recall]):
    """How a recall was closed on a vehicle."""

    closed_on = serializers.DateField()
    closed_by = serializers.CharField(max_length=150)
    how = serializers.CharField(max_length=200)


class OpenOn(serializers.Serializer[Any]):
    """A vehicle a recall is open on."""

    vehicle = serializers.CharField()
    units = serializers.ListField(child=serializers.CharField(), help_text="Empty: the whole vehicle.")


class ClosedOn(ClosingGiven):
    """A vehicle a recall is closed on."""

    vehicle = serializers.CharField()


class RecallRow(serializers.Serializer[Recall]):
    """A recall with your vehicles it is about."""

    code = serializers.CharField()
    title = serializers.CharField()
    text = serializers.CharField()
    source = serializers.CharField()
    kind = serializers.CharField()
    from_day = serializers.DateField()
    changes_from = serializers.DateField(allow_null=True)
    unit_models = serializers.ListField(child=serializers.CharField())
    rules_missing = serializers.ListField(
        child=serializers.CharField(), help_text="Unit models without a rule version from `changes_from` yet."
    )
    open = OpenOn(many=True)
    closed = ClosedOn(many=True)


def recall_row(view: RecallView) -> dict[str, Any]:
    """Return a recall as JSON."""
    recall = view.recall
    return {
        "code": recall.code,
        "title": recall.title,
        "text": recall.text,
        "source": recall.source,
        "kind": recall.kind,
        "from_day": recall.from_day.isoformat(),
        "changes_from": recall.changes_from.isoformat() if recall.changes_from else None,
        "unit_models": [model.code for model in recall.unit_models.all()],
        "rules_missing": view.missing_rules,
        "open": [{"vehicle": one.vehicle.number, "units": list(one.units)} for one in view.open_on],
        "closed": [
            {
                "vehicle": one.vehicle.number,
                "closed_on": one.closing.closed_on.isoformat(),
                "closed_by": one.closing.closed_by,
                "how": one.closing.how,
            }
            for one in view.closed_on
            if one.closing is not None
        ],
    }
