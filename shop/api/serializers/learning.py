"""What was learned, laboratory samples and measuring tools."""

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from intervals.exchange.sampling import CONTENT_SD_SHARE
from shop.api.serializers.fields import Facts, Number
from shop.models import CardProposal, FluidSample, MeasuringTool
from shop.selectors.learning import proposal_view
from shop.selectors.samples import sample_view

ANSWERS = ("accept", "decline")


class Answer(serializers.Serializer[CardProposal]):
    """A person's decision."""

    answer = serializers.ChoiceField(choices=ANSWERS)


class ProposalRow(serializers.ModelSerializer[CardProposal]):
    """A learned figure; litres in `value` and `sd` hold at 15 °C, in the others at 20 °C."""

    unit_model = serializers.CharField(
        source="unit_model.code", default=None, read_only=True, allow_null=True
    )
    tool = serializers.CharField(source="tool.code", default=None, read_only=True, allow_null=True)
    decided_by = serializers.CharField(default=None, read_only=True, allow_null=True)
    off_book_share = serializers.FloatField(read_only=True)
    asks_a_person = serializers.BooleanField(source="is_far_from_book", read_only=True)
    evidence = serializers.SerializerMethodField()

    class Meta:
        model = CardProposal
        fields = (
            "id", "unit_model", "tool", "figure", "measured_in", "value", "sd", "n", "card_value", "book_value",
            "book_source", "held_value", "off_book_share", "asks_a_person", "evidence", "state", "proposed_on",
            "decided_by", "decided_at",
        )  # fmt: skip
        read_only_fields = fields

    @extend_schema_field(Facts)
    def get_evidence(self, proposal: CardProposal) -> dict[str, object]:
        """Return the jobs behind it; those of depots the person does not see are only counted."""
        view = proposal_view(proposal, self.context["depots"])
        return {
            "used": view.used, "used_elsewhere": view.used_elsewhere, "set_aside": view.set_aside,
            "set_aside_elsewhere": view.set_aside_elsewhere, "next": proposal.evidence.get("next", ""),
        }  # fmt: skip


class SampleGiven(serializers.Serializer[FluidSample]):
    """A laboratory's report on one element before, in the new fluid and after a job."""

    job = serializers.CharField(max_length=40, help_text="Code of the finished job.")
    taken_on = serializers.DateField(help_text="Local day the last sample was taken.")
    element = serializers.CharField(max_length=12, help_text="E.g. Ca.")
    before_mg_kg = Number(min_value=0)
    new_mg_kg = Number(min_value=0)
    after_mg_kg = Number(min_value=0)
    sd_share = Number(
        default=CONTENT_SD_SHARE,
        min_value=1e-4,
        max_value=0.5,
        help_text="Standard deviation of one content, a share.",
    )
    laboratory_ref = serializers.CharField(max_length=40, help_text="The laboratory's own report number.")
    note = serializers.CharField(default="", allow_blank=True, max_length=200)


class SampleRow(serializers.ModelSerializer[FluidSample]):
    """A sample with the fresh share it shows beside the one the job worked out."""

    job = serializers.CharField(source="job.code", read_only=True)
    unit = serializers.CharField(source="job.unit.code", read_only=True)
    fresh_share = serializers.SerializerMethodField()
    fresh_share_sd = serializers.SerializerMethodField()
    computed_share = serializers.SerializerMethodField()
    decided_by = serializers.CharField(default=None, read_only=True, allow_null=True)

    class Meta:
        model = FluidSample
        fields = (
            "id", "job", "unit", "taken_on", "element", "before_mg_kg", "new_mg_kg", "after_mg_kg", "sd_share",
            "laboratory_ref", "note", "fresh_share", "fresh_share_sd", "computed_share", "state", "decided_by",
            "decided_at",
        )  # fmt: skip
        read_only_fields = fields

    def get_fresh_share(self, sample: FluidSample) -> float | None:
        """Return the share the sample shows."""
        sampled = sample_view(sample).sampled
        return None if sampled is None else sampled.share

    def get_fresh_share_sd(self, sample: FluidSample) -> float | None:
        """Return its standard deviation."""
        sampled = sample_view(sample).sampled
        return None if sampled is None else sampled.sd

    def get_computed_share(self, sample: FluidSample) -> float | None:
        """Return what the job had worked out from its litres."""
        return sample_view(sample).computed_share


class ToolRow(serializers.ModelSerializer[MeasuringTool]):
    """A tray, jug, scale or stick; corrected litres = read × (1 − reading_error_share)."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    error_source = serializers.CharField(read_only=True, help_text="Empty while no reading error is known.")

    class Meta:
        model = MeasuringTool
        fields = (
            "code", "depot", "kind", "limit", "limit_unit", "calibrated_until", "is_out_of_use", "reading_error_share",
            "error_source", "error_since", "note",
        )  # fmt: skip
        read_only_fields = fields


class ToolGiven(serializers.Serializer[MeasuringTool]):
    """A tool as it shall stand on record; what is left out is not known."""

    code = serializers.CharField(max_length=12)
    depot = serializers.CharField(max_length=12)
    kind = serializers.ChoiceField(choices=MeasuringTool.Kind.values)
    limit = Number(default=None, allow_null=True, min_value=0, help_text="Error limit, ±.")
    limit_unit = serializers.ChoiceField(choices=MeasuringTool.LimitUnit.values, default="%")
    calibrated_until = serializers.DateField(default=None, allow_null=True)
    is_out_of_use = serializers.BooleanField(default=False)
    reading_error_share = Number(default=None, allow_null=True, min_value=-0.5, max_value=0.5)
    note = serializers.CharField(default="", allow_blank=True, max_length=200)
