"""Daily runs."""

from collections.abc import Mapping

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from shop.api.serializers.fields import Facts
from shop.models import DailyRun
from shop.services.daily_run import steps_in_order


class RunRow(serializers.ModelSerializer[DailyRun]):
    """One daily run of a depot, with the steps it has behind it."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    steps = serializers.SerializerMethodField(
        help_text="Step name → what it did, in the order the steps are done."
    )

    class Meta:
        model = DailyRun
        fields = ("depot", "as_of", "state", "steps", "started_at", "finished_at", "error")
        read_only_fields = fields

    @extend_schema_field(Facts)
    def get_steps(self, run: DailyRun) -> dict[str, Mapping[str, int]]:
        """Return the steps in their order."""
        return steps_in_order(run)


class RunWanted(serializers.Serializer[DailyRun]):
    """Which depot's run to start, and for which local day."""

    depot = serializers.CharField(help_text="Depot code.")
    as_of = serializers.DateField(required=False, help_text="Local day of the depot; left out: today.")


class RunStarted(serializers.Serializer[DailyRun]):
    """The run was asked for; its address answers as soon as it has begun."""

    depot = serializers.CharField()
    as_of = serializers.DateField()
    address = serializers.URLField()
