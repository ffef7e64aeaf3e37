"""Meter readings coming in and going out."""

from rest_framework import serializers

from shop.api.serializers.fields import AsShown, Instant
from shop.models import Meter, Reading

ACCEPTED, ASKED, UNCHANGED, REFUSED = "accepted", "asked", "unchanged", "refused"
OUTCOMES = [ACCEPTED, ASKED, UNCHANGED, REFUSED]


class ReadingRow(serializers.ModelSerializer[Reading]):
    """A reading as it was typed and, once accepted, as the true total it stands for."""

    vehicle = serializers.CharField(source="meter.vehicle.number", read_only=True)
    meter = serializers.CharField(source="meter.kind", read_only=True)
    shown_in = serializers.CharField(
        source="meter.shown_in", read_only=True, help_text="Unit of raw_value and guess_value."
    )
    true_total_km = serializers.SerializerMethodField(
        help_text="Meter changes taken in; null unless accepted."
    )
    true_total_h = serializers.SerializerMethodField(
        help_text="Meter changes taken in; null unless accepted."
    )

    class Meta:
        model = Reading
        fields = (
            "id",
            "vehicle",
            "meter",
            "read_at",
            "read_on",
            "source",
            "raw_text",
            "raw_value",
            "shown_in",
            "true_total_km",
            "true_total_h",
            "status",
            "question_code",
            "question",
            "guess_value",
            "answer",
        )
        read_only_fields = fields

    def get_true_total_km(self, reading: Reading) -> float | None:
        """Return the distance since new."""
        return reading.true_total if not reading.meter.counts_hours else None

    def get_true_total_h(self, reading: Reading) -> float | None:
        """Return the hours since new."""
        return reading.true_total if reading.meter.counts_hours else None


class ReadingGiven(serializers.Serializer[Reading]):
    """One reading to take in."""

    vehicle = serializers.CharField(help_text="Vehicle number.")
    meter = serializers.ChoiceField(choices=Meter.Kind.choices)
    read_at = Instant(help_text="When it was read, with its offset from UTC.")
    source = serializers.ChoiceField(choices=Reading.Source.choices)
    value = AsShown(help_text="As the meter shows it.")
    unit = serializers.ChoiceField(
        choices=["km", "mi", "h", "hh:mm"],
        default="",
        help_text="Unit of the value; left out: the meter's own.",
    )


class ReadingOutcome(serializers.Serializer[Reading]):
    """What became of one reading; `index` is its place in what was sent."""

    index = serializers.IntegerField()
    status = serializers.ChoiceField(choices=OUTCOMES)
    sentence = serializers.CharField()
    reading = serializers.IntegerField(allow_null=True, help_text="Its id; null when refused.")


class FieldError(serializers.Serializer[Reading]):
    """One wrong member of the body and its place."""

    detail = serializers.CharField()
    pointer = serializers.CharField(help_text="JSON pointer (RFC 6901) as URI fragment.")


class ReadingsOutcome(serializers.Serializer[Reading]):
    """What became of all readings, in the order they were sent."""

    results = ReadingOutcome(many=True)
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="Status → how many.")
    errors = FieldError(many=True, help_text="The members that got readings refused.")


class ReadingAnswer(serializers.Serializer[Reading]):
    """What a reading that was asked about really is."""

    answer = serializers.ChoiceField(choices=["as guessed", "as typed", "not a reading"])
