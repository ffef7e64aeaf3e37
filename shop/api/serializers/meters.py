"""Meters with their changes and readings."""

from typing import Any

from rest_framework import serializers

from shop.api.serializers.fields import AsShown
from shop.api.serializers.readings import ReadingRow
from shop.models import Meter, MeterChange


class MeterChangeRow(serializers.ModelSerializer[MeterChange]):
    """A meter that counts anew from a day on; values as it showed them, in its own unit."""

    vehicle = serializers.CharField(source="meter.vehicle.number", read_only=True)
    meter = serializers.CharField(source="meter.kind", read_only=True)

    class Meta:
        model = MeterChange
        fields = ("id", "vehicle", "meter", "day", "kind", "last_old", "first_new")
        read_only_fields = fields


class MeterHistoryRow(serializers.Serializer[Any]):
    """One meter of a vehicle, its changes newest first, its latest readings."""

    meter = serializers.CharField(source="meter.kind")
    shown_in = serializers.CharField(source="meter.shown_in")
    rolls_over_at = serializers.FloatField(source="meter.rolls_over_at", allow_null=True)
    changes = MeterChangeRow(many=True)
    readings = ReadingRow(many=True)
    overruled = serializers.ListField(
        child=serializers.IntegerField(),
        help_text="Ids of accepted readings that do not count, as another of their day is trusted more or is later.",
    )


class MeterChangeGiven(serializers.Serializer[Any]):
    """A change of a meter as somebody saw it."""

    meter = serializers.ChoiceField(choices=Meter.Kind.choices)
    kind = serializers.ChoiceField(choices=MeterChange.Kind.choices)
    day = serializers.DateField(help_text="First day of the new count.")
    last_old = AsShown(help_text="Last the old count showed, in the meter's own unit.")
    first_new = AsShown(help_text="First the new count showed.")
    note = serializers.CharField(default="", allow_blank=True, max_length=200)


class MeterChangeDone(serializers.Serializer[Any]):
    """The change, and what moved with it."""

    change = MeterChangeRow()
    readings = serializers.IntegerField(help_text="Readings that count differently now.")
    totals = serializers.IntegerField(
        help_text="Totals of jobs, last services and fittings that moved along."
    )
    sentence = serializers.CharField()


class WithdrawGiven(serializers.Serializer[Any]):
    """Why a change is taken back."""

    note = serializers.CharField(max_length=200)


class OtherVehicle(serializers.Serializer[Any]):
    """The vehicle a reading was really taken off."""

    vehicle = serializers.CharField(max_length=24)
