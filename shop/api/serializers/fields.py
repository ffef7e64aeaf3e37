"""Fields the serializers share."""

import datetime
import math
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers


@extend_schema_field(OpenApiTypes.DOUBLE)
class Number(serializers.FloatField):
    """A JSON number; texts, true/false and what is not finite are refused."""

    default_error_messages = {"number": "“{given}” is no number; write it plainly, e.g. 10.5."}

    def to_internal_value(self, data: Any) -> float:
        """Return the number given."""
        is_number = isinstance(data, int | float) and not isinstance(data, bool)
        if not is_number or abs(data) > 1e15 or not math.isfinite(data):
            self.fail("number", given=data)
        return float(super().to_internal_value(data))


@extend_schema_field({"type": "object", "additionalProperties": {}})
class Facts(serializers.JSONField):
    """Named figures behind a line; an unknown one is null or left out, never zero."""


@extend_schema_field({"type": "array", "items": {"type": "string"}})
class Words(serializers.ListField):
    """A list of texts."""

    child = serializers.CharField()


class Instant(serializers.DateTimeField):
    """A day and time that says its offset from UTC."""

    default_error_messages = {
        "offset": "The instant has no offset; write e.g. 2026-03-09T07:30:00+01:00 or end it in Z."
    }

    def enforce_timezone(self, value: datetime.datetime) -> datetime.datetime:
        """Refuse an instant without offset instead of guessing one."""
        if value.tzinfo is None:
            self.fail("offset")
        return value


@extend_schema_field({"oneOf": [{"type": "number", "minimum": 0}, {"type": "string", "maxLength": 32}]})
class AsShown(serializers.Field[str, Any, str, Any]):
    """A value as the meter shows it: a number, or a text such as 1234:30."""

    default_error_messages = {
        "value": "“{given}” is no meter value; write a number such as 57000, or hours as “1234:30”."
    }

    def to_internal_value(self, data: Any) -> str:
        """Return the value as text, a number in its shortest form."""
        if isinstance(data, str) and 0 < len(data) <= 32 and data.isprintable():
            return data
        is_number = isinstance(data, int | float) and not isinstance(data, bool)
        if not is_number or not abs(data) < 1e15:
            self.fail("value", given=str(data)[:40])
        return str(int(data)) if data == int(data) else repr(data)

    def to_representation(self, value: str) -> str:
        """Return the text."""
        return value
