"""The bench over the API: the request as its schema has it, the answer with everything the page draws."""

from typing import Any

from rest_framework import serializers

from intervals.exchange.methods import METHODS
from shop.selectors.bench_request import CHOICES, FIGURES, GROUPS, Choice


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


def _number(**kwargs: Any) -> serializers.FloatField:
    return serializers.FloatField(allow_null=True, **kwargs)


def _numbers() -> serializers.ListField:
    return serializers.ListField(child=serializers.FloatField())


BenchAsked = _shape(
    "BenchAsked",
    {
        "unit": serializers.CharField(
            required=False,
            allow_null=True,
            help_text="Code of a unit of your depots; figures in card go over its own.",
        ),
        **_asked_fields(""),
        "allowed_methods": serializers.ListField(
            required=False,
            allow_null=True,
            child=serializers.CharField(),
            help_text=f"Of {', '.join(METHODS)}.",
        ),
        "night_is_free": serializers.BooleanField(required=False, allow_null=True),
        **{
            group: _shape(f"Bench{group.capitalize()}Asked", _asked_fields(group))(required=False)
            for group in ("card", *GROUPS)
        },
    },
)


class BenchPlan(serializers.Serializer[Any]):
    """One method planned to the target; without figures when it cannot be done, for the reason given."""

    title = serializers.CharField()
    method = serializers.CharField()
    start = serializers.CharField()
    is_feasible = serializers.BooleanField()
    reaches_target = serializers.BooleanField()
    reason = serializers.CharField()
    sentence = serializers.CharField()
    basis = serializers.CharField()
    fresh_share = _number()
    fresh_share_low = _number()
    new_fluid_l = _number()
    drained_l = _number()
    pushed_l = _number()
    stages = _numbers()
    drains = serializers.IntegerField()
    purge_hold_up_l = _number()
    total_to_reserve_l = _number()
    cost = _number()
    cost_per_1000_km = _number()
    hands_on_h = _number()
    off_road_h = _number()


class BenchBand(serializers.Serializer[Any]):
    """Fresh shares for each value of litres: worst, cautious, best guess and best mixing case."""

    litres = _numbers()
    least = _numbers()
    low = _numbers()
    best = _numbers()
    most = _numbers()


class BenchCurve(serializers.Serializer[Any]):
    """One method's share against litres."""

    title = serializers.CharField()
    is_chosen = serializers.BooleanField()
    band = BenchBand()


class BenchChosen(serializers.Serializer[Any]):
    """The method looked at in full; not allowed: a reason and no figures."""

    title = serializers.CharField()
    method = serializers.CharField()
    start = serializers.CharField()
    is_allowed = serializers.BooleanField()
    reason = serializers.CharField()
    sentence = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())
    new_fluid_l = _number()
    drained_l = _number()
    pushed_l = _number()
    stage_l = _number()
    least_share = _number()
    low_share = _number()
    fresh_share = _number()
    most_share = _number()


class BenchLimit(serializers.Serializer[Any]):
    """Most litres of one engine run with the hose off."""

    litres = serializers.FloatField()
    seconds = _number()
    source = serializers.CharField()
    sentence = serializers.CharField()


class BenchStep(serializers.Serializer[Any]):
    """One engine run with the hose off."""

    litres = serializers.FloatField()
    seconds = _number()
    sump_after_l = _number()
    out_total_l = serializers.FloatField()


class BenchStages(serializers.Serializer[Any]):
    """The stages, and the sump with the floor the pump needs."""

    cannot_say = serializers.CharField()
    limit = BenchLimit(allow_null=True)
    sump_l = _number()
    pickup_l = _number()
    floor_l = _number()
    steps = BenchStep(many=True)
    start_ok = serializers.BooleanField(allow_null=True)
    start_sentence = serializers.CharField()


class BenchDrain(serializers.Serializer[Any]):
    """Litres out of the plug against minutes."""

    cannot_say = serializers.CharField()
    minutes = _numbers()
    litres = _numbers()
    stop_waiting_min = _number()
    stop_waiting_l = _number()
    at_min = _number()
    at_l = _number()


class BenchStick(serializers.Serializer[Any]):
    """Where a right fill stands at each temperature, and a reading judged."""

    cannot_say = serializers.CharField()
    ref_c = _number()
    ml_per_mm = _number()
    temps_c = _numbers()
    offsets_mm = _numbers()
    growths_ml = _numbers()
    reading_mm = _number()
    reading_c = _number()
    right_mm = _number()
    excess_ml = _number()
    pulls = serializers.IntegerField()
    pulls_first = serializers.IntegerField()


class BenchSpreadPart(serializers.Serializer[Any]):
    """One error source."""

    name = serializers.CharField()
    limit_l = serializers.FloatField()
    standard_l = serializers.FloatField()


class BenchPour(serializers.Serializer[Any]):
    """Litres to pour first, the guard held back, and how likely an overfill is."""

    cannot_say = serializers.CharField()
    tray_l = _number()
    jug_l = _number()
    out_l = _number()
    need_l = _number()
    u_l = _number()
    parts = BenchSpreadPart(many=True)
    first_fill_l = _number()
    guard_l = _number()
    limited_by = serializers.CharField(allow_null=True)
    sentence = serializers.CharField()
    overfill_first = _number()
    overfill_need = _number()
    overfill_as_read = _number()
    least_pour_l = _number()
    without_arrival = serializers.BooleanField()


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
    chosen = BenchChosen()
    curves = BenchCurve(many=True)
    stages = BenchStages()
    drain = BenchDrain()
    stick = BenchStick()
    pour = BenchPour()
