"""The bench over the API: the request as its schema has it, the answer with everything the page draws."""

from typing import Any

from rest_framework import serializers

from intervals.exchange.flow import HOSES
from intervals.exchange.methods import METHODS, MethodPlan
from intervals.exchange.sequence import KINDS
from shop.api.serializers.derived import shape_of
from shop.selectors.bench_fluid import FluidShown, StrengthShown
from shop.selectors.bench_level import DrainShown, FirstPour, StickScale
from shop.selectors.bench_ranges import RangesShown
from shop.selectors.bench_request import CHOICES, FIGURES, GROUPS, Choice
from shop.selectors.bench_stages import Chosen, MethodCurve, StagePlan
from shop.selectors.bench_steps import SequenceShown


def _asked_fields(group: str) -> dict[str, serializers.Field]:
    """Return the fields of one group of a request; the checks themselves are `read_request`'s."""
    made: dict[str, serializers.Field] = {}
    for one in (*FIGURES.values(), *CHOICES.values()):
        if one.group != group:
            continue
        if isinstance(one, Choice):
            made[one.name] = serializers.CharField(
                required=False, allow_null=True, help_text=f"{one.words}: {', '.join(one.allowed)}."
            )
            continue
        unit = f", {one.unit}" if one.unit else ""
        taken = "" if one.default is None else f"; {one.default:g} when left out"
        made[one.name] = serializers.FloatField(
            required=False, allow_null=True, min_value=one.low, max_value=one.high,
            help_text=f"{one.words}{unit}{taken}.",
        )  # fmt: skip
    return made


def _shape(name: str, fields: dict[str, serializers.Field]) -> type[serializers.Serializer[Any]]:
    return type(name, (serializers.Serializer,), fields)


class BenchStepAsked(serializers.Serializer[Any]):
    """One step of a sequence."""

    kind = serializers.ChoiceField(choices=KINDS)
    litres = serializers.FloatField(
        required=False, allow_null=True, help_text="A pour without takes what is missing."
    )
    stage_l = serializers.FloatField(required=False, allow_null=True)
    hose = serializers.ChoiceField(choices=HOSES, required=False, allow_null=True)


BenchAsked = _shape(
    "BenchAsked",
    {
        "unit": serializers.CharField(
            required=False,
            allow_null=True,
            help_text="Code of a unit of your depots; figures in card go over its own.",
        ),
        "product": serializers.CharField(
            required=False, allow_null=True, help_text="Code of a fluid on record, instead of the unit's own."
        ),
        **_asked_fields(""),
        "allowed_methods": serializers.ListField(
            required=False,
            allow_null=True,
            child=serializers.CharField(),
            help_text=f"Of {', '.join(METHODS)}.",
        ),
        "steps": BenchStepAsked(
            many=True, required=False, allow_null=True, help_text="What is done, in order."
        ),
        "night_is_free": serializers.BooleanField(required=False, allow_null=True),
        **{
            group: _shape(f"Bench{group.capitalize()}Asked", _asked_fields(group))(required=False)
            for group in ("card", *GROUPS)
        },
    },
)


class BenchPackCount(serializers.Serializer[Any]):
    """So many packs of one size."""

    count = serializers.IntegerField()
    label = serializers.CharField()
    size_l = serializers.FloatField()


class BenchPacks(serializers.Serializer[Any]):
    """The cheapest packs for the litres of the job."""

    packs = BenchPackCount(many=True)
    price = serializers.FloatField()
    left_over_l = serializers.FloatField()
    reason = serializers.CharField()


BenchPlan = shape_of(MethodPlan, "BenchPlan", more={"title": serializers.CharField()})


class BenchAnswer(serializers.Serializer[Any]):
    """All the bench says about a card, a method and today's figures."""

    unit = serializers.CharField(help_text="Empty for a card that was typed.")
    model = serializers.CharField()
    card = serializers.DictField(help_text="The figures used; null is not known, never zero.")
    sources = serializers.DictField(child=serializers.CharField(), help_text="Where each figure comes from.")
    target_share = serializers.FloatField()
    is_reason_asked = serializers.BooleanField()
    best = serializers.CharField(allow_null=True)
    runner_up = serializers.CharField(allow_null=True)
    difference = serializers.CharField()
    plans = BenchPlan(many=True)
    chosen = shape_of(Chosen, "BenchChosen")()
    curves = shape_of(MethodCurve, "BenchCurve")(many=True)
    stages = shape_of(StagePlan, "BenchStages")()
    drain = shape_of(DrainShown, "BenchDrain")()
    stick = shape_of(StickScale, "BenchStick")()
    pour = shape_of(FirstPour, "BenchPour")()
    fluid = shape_of(FluidShown, "BenchFluid")()
    strength = shape_of(StrengthShown, "BenchStrength")()
    sequence = shape_of(SequenceShown, "BenchSequence")()
    ranges = shape_of(RangesShown, "BenchRanges")()
    packs = BenchPacks(allow_null=True)
