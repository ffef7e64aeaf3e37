"""Serializers made from the frozen dataclasses a selector answers with, so that a figure is declared once."""

import dataclasses
import datetime
import inspect
import types
from collections.abc import Mapping
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

from rest_framework import serializers

_PLAIN: Mapping[Any, type[serializers.Field]] = {
    str: serializers.CharField,
    bool: serializers.BooleanField,
    int: serializers.IntegerField,
    float: serializers.FloatField,
    datetime.date: serializers.DateField,
}


def shape_of(
    made: type,
    name: str,
    *,
    without: tuple[str, ...] = (),
    more: Mapping[str, serializers.Field] | None = None,
) -> type[serializers.Serializer[Any]]:
    """Return a serializer with one field for each field of a dataclass.

    made: the dataclass; texts, numbers, days, yes and no, optional ones, tuples of them and nested dataclasses.
    name: name of the shape in the API's document. without: fields left out. more: further fields.
    """
    hints = get_type_hints(made)
    fields: dict[str, Any] = {
        one.name: _field(hints[one.name], name) for one in dataclasses.fields(made) if one.name not in without
    }
    fields |= more or {}
    fields["__doc__"] = inspect.getdoc(made)
    return type(name, (serializers.Serializer,), fields)


@cache
def _nested(made: type, owner: str) -> type[serializers.Serializer[Any]]:
    """Return one shape for a dataclass however often its owner names it."""
    return shape_of(made, f"{owner}{made.__name__}")


def _field(kind: Any, owner: str, *, is_optional: bool = False) -> serializers.Field:
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (types.UnionType, Union):
        (known,) = [one for one in inner if one is not type(None)]
        return _field(known, owner, is_optional=True)
    if origin is tuple:
        one = inner[0]
        if dataclasses.is_dataclass(one):
            return _nested(one, owner)(many=True)
        return serializers.ListField(child=_field(one, owner))
    if dataclasses.is_dataclass(kind):
        return _nested(kind, owner)(allow_null=is_optional)
    return _PLAIN[kind](allow_null=is_optional)
