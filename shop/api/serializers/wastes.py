"""Containers of old fluid, what moved in them, the collector's visits, the monthly balance."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.fields import Number, Words
from shop.models import CollectionLine, WasteCollection, WasteMovement
from shop.planning.waste_streams import STREAM_NAMES


class ContainerRow(serializers.Serializer[Any]):
    """A container, how fast it fills, and when to call the collector."""

    id = serializers.IntegerField(source="tank.pk")
    depot = serializers.CharField(source="tank.depot.code")
    stream = serializers.CharField(source="tank.stream")
    place = serializers.CharField(source="tank.place")
    waste_code = serializers.CharField(source="tank.waste_code")
    capacity_l = serializers.FloatField(source="tank.capacity_l")
    level_l = serializers.FloatField(source="tank.level_l")
    collector_lead_days = serializers.IntegerField(source="tank.collector_lead_days")
    mean_per_day_l = serializers.FloatField(source="rate.mean_per_day_l")
    sd_per_day_l = serializers.FloatField(source="rate.sd_per_day_l")
    is_rate_learned = serializers.BooleanField(source="rate.is_learned")
    rate_sentence = serializers.CharField(source="rate.sentence")
    call = serializers.CharField(source="call.state")
    call_level_l = serializers.FloatField(source="call.call_level_l", allow_null=True)
    call_by = serializers.DateField(source="call.call_by", allow_null=True)
    call_sentence = serializers.CharField(source="call.reason")
    open_collection = serializers.IntegerField(
        source="open_line.collection_id", default=None, allow_null=True
    )


class ContainerGiven(serializers.Serializer[Any]):
    """A container as it should stand on record; depot and stream say which one."""

    depot = serializers.CharField(max_length=24)
    stream = serializers.ChoiceField(choices=[(name, name) for name in STREAM_NAMES])
    capacity_l = Number()
    mean_per_day_l = Number()
    sd_per_day_l = Number()
    collector_lead_days = serializers.IntegerField(min_value=0, max_value=365)
    place = serializers.CharField(required=False, max_length=60, default="", allow_blank=True)
    waste_code = serializers.CharField(required=False, max_length=16, default="", allow_blank=True)


class WasteMovementRow(serializers.ModelSerializer[WasteMovement]):
    """Litres into or out of a container."""

    container = serializers.IntegerField(source="tank_id", read_only=True)
    depot = serializers.CharField(source="tank.depot.code", read_only=True)
    stream = serializers.CharField(source="tank.stream", read_only=True)
    job = serializers.CharField(source="job.code", default=None, read_only=True, allow_null=True)
    collection = serializers.IntegerField(source="collection_id", read_only=True, allow_null=True)
    moved_by = serializers.CharField(
        source="moved_by.username", default=None, read_only=True, allow_null=True
    )

    class Meta:
        model = WasteMovement
        fields = (
            "id", "container", "depot", "stream", "litres", "reason", "note", "job", "collection", "moved_at",
            "moved_by",
        )  # fmt: skip
        read_only_fields = fields


class WasteMovementGiven(serializers.Serializer[Any]):
    """Old fluid poured in, or a level put right by a dip."""

    what = serializers.ChoiceField(choices=["pour", "dip"])
    container = serializers.IntegerField(min_value=1)
    litres = Number(help_text="Poured in, or the level the dip showed.")
    stream = serializers.CharField(required=False, max_length=32, default="", help_text="What is poured.")
    note = serializers.CharField(required=False, max_length=200, default="", allow_blank=True)


class CollectionLineRow(serializers.ModelSerializer[CollectionLine]):
    """One container of a visit."""

    container = serializers.IntegerField(source="tank_id", read_only=True)

    class Meta:
        model = CollectionLine
        fields = ("container", "stream", "waste_code", "expected_l", "collected_l", "weighed_kg")
        read_only_fields = fields


class CollectionRow(serializers.ModelSerializer[WasteCollection]):
    """One visit of a collector."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    collector = serializers.CharField(source="collector.code", read_only=True)
    called_by = serializers.CharField(
        source="called_by.username", default=None, read_only=True, allow_null=True
    )
    handed_over_by = serializers.CharField(
        source="handed_over_by.username", default=None, read_only=True, allow_null=True
    )
    lines = CollectionLineRow(many=True, read_only=True)

    class Meta:
        model = WasteCollection
        fields = (
            "id", "depot", "collector", "state", "called_on", "called_by", "expected_on", "collected_on",
            "handed_over_by", "paper_number", "receipt", "note", "lines",
        )  # fmt: skip
        read_only_fields = fields


class WantedGiven(serializers.Serializer[Any]):
    """Litres expected from one container."""

    container = serializers.IntegerField(min_value=1)
    expected_l = Number()


class CallGiven(serializers.Serializer[Any]):
    """Whom to call for which containers."""

    depot = serializers.CharField(max_length=24)
    collector = serializers.CharField(max_length=24, help_text="Code of the collector among the suppliers.")
    lines = WantedGiven(many=True, allow_empty=False)
    expected_on = serializers.DateField(required=False, allow_null=True, default=None)
    note = serializers.CharField(
        required=False, max_length=200, default="", allow_blank=True, help_text="Needed below his minimum."
    )


class TakenGiven(serializers.Serializer[Any]):
    """What was taken out of one container."""

    container = serializers.IntegerField(min_value=1)
    collected_l = Number()
    weighed_kg = Number(required=False, allow_null=True, default=None)


class HandOverGiven(serializers.Serializer[Any]):
    """What the collector took, and the paper of it."""

    paper_number = serializers.CharField(max_length=60)
    collected_on = serializers.DateField()
    receipt = serializers.CharField(required=False, max_length=200, default="", allow_blank=True)
    lines = TakenGiven(many=True, allow_empty=False)


class CollectionCancelGiven(serializers.Serializer[Any]):
    """Why a visit is not made."""

    note = serializers.CharField(max_length=200)


class BalanceMonthRow(serializers.Serializer[Any]):
    """One month of one container; a gap that cannot be said is null."""

    month = serializers.DateField()
    filled_l = serializers.FloatField(source="balance.figures.filled_l")
    lost_l = serializers.FloatField(source="balance.figures.lost_l")
    expected_l = serializers.FloatField(source="balance.figures.expected_l")
    drained_l = serializers.FloatField(source="balance.figures.drained_l")
    collected_l = serializers.FloatField(source="balance.figures.collected_l")
    level_change_l = serializers.FloatField(source="balance.figures.level_change_l")
    gathered_l = serializers.FloatField(source="balance.figures.gathered_l", allow_null=True)
    gap_l = serializers.FloatField(source="balance.gathered.gap_l", default=None, allow_null=True)
    gap_share = serializers.FloatField(source="balance.gathered.gap_share", default=None, allow_null=True)
    is_to_look_at = serializers.BooleanField(source="balance.is_to_look_at")
    candidates = Words(source="balance.candidates")
    cannot_say = serializers.CharField(source="balance.cannot_say")


class BalanceRow(serializers.Serializer[Any]):
    """The months of one container, the oldest first."""

    container = serializers.IntegerField(source="tank.pk")
    depot = serializers.CharField(source="tank.depot.code")
    stream = serializers.CharField(source="tank.stream")
    months = BalanceMonthRow(many=True)
