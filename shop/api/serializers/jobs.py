"""Jobs: what was done, and the report that closes one."""

from typing import Any

from django.db.models import Manager
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop.api.serializers.due import DueRow
from shop.api.serializers.exchange import SpreadRow
from shop.api.serializers.fields import AsShown, Number
from shop.api.serializers.units import LastServiceRow
from shop.models import Job
from shop.selectors.job_litres import JobShare, shares_of_jobs


class JobRows(serializers.ListSerializer[Any]):
    """Jobs in a list; their ranges are worked out together."""

    def to_representation(self, data: Any) -> list[Any]:
        """Work out the ranges of all jobs in one go."""
        jobs = list(data.all() if isinstance(data, Manager) else data)
        self.child.ranges = shares_of_jobs(jobs)
        return super().to_representation(jobs)


class JobRow(serializers.ModelSerializer[Job]):
    """A job, from booking to hand-back."""

    unit = serializers.CharField(source="unit.code", read_only=True)
    vehicle = serializers.CharField(source="vehicle.number", read_only=True)
    product = serializers.CharField(source="product.code", default=None, read_only=True, allow_null=True)
    tray = serializers.CharField(source="tray.code", default=None, read_only=True, allow_null=True)
    jug = serializers.CharField(source="jug.code", default=None, read_only=True, allow_null=True)
    scale = serializers.CharField(source="scale.code", default=None, read_only=True, allow_null=True)
    stick = serializers.CharField(source="stick.code", default=None, read_only=True, allow_null=True)
    strength_by = serializers.CharField(read_only=True, help_text="How the strengths were measured.")
    fresh_share_spread = serializers.SerializerMethodField(
        help_text="Range of the fresh share from the measured litres and the unit card; null where it cannot be said."
    )
    ranges: dict[int, JobShare] | None = None

    class Meta:
        model = Job
        list_serializer_class = JobRows
        fields = (
            "code",
            "unit",
            "vehicle",
            "kind",
            "subject",
            "method",
            "state",
            "state_since",
            "booked_for",
            "bay",
            "done_on",
            "unit_km",
            "unit_h",
            "out_l",
            "out_temp_c",
            "out_kg",
            "in_l",
            "in_temp_c",
            "in_kg",
            "fresh_share",
            "share_basis",
            "fresh_share_spread",
            "product_in_l",
            "strength_found_share",
            "strength_left_share",
            "strength_by",
            "boiling_found_c",
            "boiling_left_c",
            "level_temp_c",
            "level_reading_mm",
            "level_proof",
            "product",
            "batch",
            "tray",
            "jug",
            "scale",
            "stick",
            "drain_minutes",
            "drain_start_c",
            "shed_c",
            "arrival_mm",
            "arrival_temp_c",
            "moved_ml",
            "moved_from_mm",
            "moved_to_mm",
            "done_by",
            "checked_by",
            "note",
        )
        read_only_fields = fields

    @extend_schema_field(SpreadRow(allow_null=True))
    def get_fresh_share_spread(self, job: Job) -> Any:
        """Return the range of the job's fresh share."""
        ranges = shares_of_jobs([job]) if self.ranges is None else self.ranges
        return SpreadRow(ranges[job.pk].spread).data if job.pk in ranges else None


def _text(help_text: str, length: int = 80) -> serializers.CharField:
    return serializers.CharField(default="", allow_blank=True, max_length=length, help_text=help_text)


def _number(help_text: str, least: float | None = None) -> Number:
    return Number(default=None, allow_null=True, min_value=least, help_text=help_text)


class JobGiven(serializers.Serializer[Job]):
    """The report of a finished job; what was not measured stays null and is never taken as zero."""

    subject = serializers.CharField(default="fluid", max_length=32)
    method = _text("One of the methods allowed for the unit; the fluid needs it.", 60)
    done_on = serializers.DateField(help_text="Local day the job was finished.")
    out_l = _number("Came out, in litres as read.", 0)
    out_kg = _number("Came out, weighed.", 0)
    out_temp_c = _number("Temperature of what came out.")
    in_l = _number("Went in, in litres as read.", 0)
    in_kg = _number("Went in, weighed.", 0)
    in_temp_c = _number("Temperature of what went in.")
    product_in_l = _number("Coolant: litres of product in what went in; the rest was water.", 0)
    strength_found_share = _number("Coolant: glycol share by volume before, 0 to 1.", 0)
    strength_left_share = _number("Coolant: glycol share by volume afterwards, 0 to 1.", 0)
    strength_by = serializers.ChoiceField(
        default="",
        allow_blank=True,
        choices=Job.StrengthBy.choices,
        help_text="How the strength was measured.",
    )
    boiling_found_c = _number("Brake fluid: boiling point before.")
    boiling_left_c = _number("Brake fluid: boiling point afterwards.")
    level_temp_c = _number("Fluid temperature at the level check.")
    level_reading_mm = _number("Level against the target, in mm; above it is positive.")
    level_reason = _text("Why there is no level reading.", 200)
    leak_checked = serializers.BooleanField(default=False)
    road_tested = serializers.BooleanField(default=False)
    road_test_reason = _text("Why there was no road test.", 200)
    batch = _text("Label or batch of the pack used; empty: the one that runs out of use-by first.", 40)
    meter_text = AsShown(
        default="", help_text="Odometer as it shows; the hour meter where there is no odometer."
    )
    hours_text = AsShown(
        default="",
        help_text="Hour meter as it shows, on a vehicle that has both: the unit's `hours_meter`.",
    )
    tray = _text("Code of the tray that was read.", 12)
    jug = _text("Code of the jug that was read.", 12)
    scale = _text("Code of the scale.", 12)
    stick = _text("Code of the stick.", 12)
    drain_minutes = _number("Minutes from the plug coming out until the tray was read.", 0)
    drain_start_c = _number("Fluid temperature when the plug came out.")
    shed_c = _number("Shed temperature.")
    arrival_mm = _number("Stick on arrival against its mark, in mm.")
    arrival_temp_c = _number("Fluid temperature then.")
    moved_ml = _number("A measured level correction in mL: poured in above zero, taken out below.")
    moved_from_mm = _number("Stick just before it.")
    moved_to_mm = _number("Stick just after it.")
    done_by = _text("Who did it.", 150)
    checked_by = _text("Who checked it.", 150)
    note = _text("Anything else.", 2000)
    is_rinsed = serializers.BooleanField(
        default=False, help_text="A unit that held a fluid the new one must not meet was rinsed first."
    )
    is_repeated = serializers.BooleanField(
        default=False, help_text="The same was closed before on that day and really done once more."
    )


class JobClosed(serializers.Serializer[Job]):
    """The job as kept, the age its fluid has now, and when the unit falls due next."""

    job = JobRow()
    last_services = LastServiceRow(many=True)
    due_lines = DueRow(many=True)
