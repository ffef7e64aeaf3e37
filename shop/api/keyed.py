"""The `Idempotency-Key` header (IETF draft, “The Idempotency-Key HTTP Header Field”)."""

import hashlib
import re
from collections.abc import Callable
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.exceptions import ParseError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from shop.services.idempotency import KEPT_DAYS, answer_once

HEADER = "Idempotency-Key"
LONGEST = 200

PARAMETER = OpenApiParameter(
    HEADER,
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description=f"Your own text in double quotes, new for each request. Sent again within {KEPT_DAYS} days with the "
    "same body it brings the first answer and does nothing twice; with another body it is refused (422).",
)

# A String of Structured Field Values for HTTP (RFC 9651, 3.3.3), with its length bounded.
_STRING = re.compile(rf'"((?:[\x20-\x21\x23-\x5b\x5d-\x7e]|\\["\\]){{1,{LONGEST}}})"')


def key_of(request: Request) -> str | None:
    """Return the key of a request, None without one.

    Raises:
        ParseError: the header is no quoted text.
    """
    header = request.headers.get(HEADER)
    if header is None:
        return None
    found = _STRING.fullmatch(header.strip())
    if found is None:
        raise ParseError(
            f'{HEADER} must be a text of 1 to {LONGEST} characters in double quotes, e.g. "2026-03-09-yard-7"; '
            "quote it and send the request again."
        )
    return re.sub(r'\\(["\\])', r"\1", found[1])


def sent(request: Request) -> Any:
    """Return the body of a request parsed; as sent it stays at hand for `answered_once`."""
    _ = request.body
    return request.data


def body_as(request: Request, shape: type[Serializer[Any]]) -> dict[str, Any]:
    """Return the body of a request as a serializer reads it.

    Raises:
        ValidationError: it does not fit, field by field.
    """
    given = shape(data=sent(request))
    given.is_valid(raise_exception=True)
    return dict(given.validated_data)


def answered_once(request: Request, work: Callable[[], tuple[int, Any]]) -> Response:
    """Do the work of a request, once for each key if it carries one.

    Args:
        request: the request; its body was read by `body_as` or `sent`, or not at all.
        work: does it and returns status and JSON body.
    """
    key = key_of(request)
    if key is None:
        status, body = work()
    else:
        asked = b"\n".join([str(request.method).encode(), request.get_full_path().encode(), request.body])
        status, body = answer_once(request.user, key, hashlib.sha256(asked).hexdigest(), work)
    return Response(body, status=status)
