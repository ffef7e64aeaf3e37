"""Every refusal of the API as problem details for HTTP APIs (RFC 9457)."""

import logging
import math
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.http import Http404, JsonResponse
from rest_framework import exceptions
from rest_framework.views import set_rollback

from shop.errors import ApplicationError, ConflictError, NotAllowed

PROBLEM_JSON = "application/problem+json"

_NO_JSON = "JSON parse error - "

log = logging.getLogger(__name__)


class QueueUnreachable(exceptions.APIException):
    """The message broker takes no task at the moment."""

    status_code = 503
    default_detail = "The queue does not answer, so nothing was started; try again in a minute."
    default_code = "queue-unreachable"


class Unprocessable(exceptions.APIException):
    """Well written, yet nothing of it could be taken."""

    status_code = 422
    default_code = "input"

    def __init__(self, detail: str, errors: list[dict[str, str]]) -> None:
        super().__init__(detail)
        self.errors = errors


def problem(
    status: int, detail: str, errors: list[dict[str, str]] | None = None, *, code: str
) -> JsonResponse:
    """Build a problem answer.

    Args:
        status: HTTP status, sent as status line and member alike.
        detail: what was wrong, what is allowed, what to do next.
        errors: one entry for each wrong field, with its place.
        code: the kind of problem in a word, for programs.

    Returns:
        The answer, of media type application/problem+json.
    """
    body = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "code": code,
        **({"errors": errors} if errors else {}),
    }
    return JsonResponse(body, status=status, content_type=PROBLEM_JSON)


def problem_response(error: Exception, context: dict[str, Any]) -> JsonResponse:
    """Answer any exception raised while handling a request; what nobody foresaw is logged and becomes a 500."""
    set_rollback()
    request = context.get("request")
    is_query = request is not None and request.method in {"GET", "HEAD"}
    if isinstance(error, Http404):
        error = exceptions.NotFound(str(error) or None)
    if isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied(str(error) or None)
    if isinstance(error, RequestDataTooBig):
        return problem(413, "The request is too large; send it in several parts.", code="too-large")
    if isinstance(error, SuspiciousOperation):
        return problem(400, "The request is not well formed; check it and send it again.", code="malformed")
    if isinstance(error, ApplicationError):
        return _application_problem(error, is_query=is_query)
    if isinstance(error, exceptions.ValidationError):
        errors = list(located(error.detail, is_query=is_query))
        return problem(400, _summary(errors), errors, code="invalid")
    if isinstance(error, exceptions.APIException):
        return _with_headers(error, context)
    log.exception("unforeseen error in the API", exc_info=error)
    return problem(
        500,
        "Something went wrong here and was written to the log; the request may be sent again.",
        code="error",
    )


def located(detail: Any, *, is_query: bool = False, path: tuple[str, ...] = ()) -> Iterator[dict[str, str]]:
    """Flatten the nested messages of a validation error into sentences with their places.

    Args:
        detail: nested dicts (by field or index) and lists of messages.
        is_query: the fields are query parameters and not members of the body.
        path: where `detail` stands in the body.

    Yields:
        `{"detail", "pointer"}` with a JSON pointer (RFC 6901) as URI fragment, or `{"detail", "parameter"}`.
    """
    if isinstance(detail, dict):
        for name, inner in detail.items():
            step = () if name == "non_field_errors" else (str(name),)
            yield from located(inner, is_query=is_query, path=(*path, *step))
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            step = (str(index),) if isinstance(inner, dict | list) else ()
            yield from located(inner, is_query=is_query, path=(*path, *step))
    elif is_query and path:
        yield {"detail": _writable(detail), "parameter": path[0]}
    else:
        yield {"detail": _writable(detail), "pointer": pointer(path)}


def pointer(path: tuple[str, ...]) -> str:
    """Write a path into the body as the URI fragment of a JSON pointer."""
    return "#" + "".join(f"/{step.replace('~', '~0').replace('/', '~1')}" for step in path)


def _writable(detail: Any) -> str:
    """Return a message that may quote the caller without the characters neither UTF-8 nor the database takes."""
    return str(detail).encode("utf-8", "replace").decode().replace("\x00", "?")


def _summary(errors: list[dict[str, str]]) -> str:
    if len(errors) == 1:
        return errors[0]["detail"]
    return f"{len(errors)} places cannot be used; each is named under “errors”. Nothing was written."


def _application_problem(error: ApplicationError, *, is_query: bool) -> JsonResponse:
    status = 403 if isinstance(error, NotAllowed) else 409 if isinstance(error, ConflictError) else 422
    errors = list(located(error.fields, is_query=is_query))
    return problem(status, error.sentence, errors, code=error.code)


def _with_headers(error: exceptions.APIException, context: dict[str, Any]) -> JsonResponse:
    errors = error.errors if isinstance(error, Unprocessable) else []
    code = error.detail.code if isinstance(error.detail, exceptions.ErrorDetail) else error.default_code
    answer = problem(error.status_code, _sentence(error, context), errors, code=code)
    if header := getattr(error, "auth_header", None):
        answer["WWW-Authenticate"] = header
    if (wait_s := getattr(error, "wait", None)) is not None:
        answer["Retry-After"] = str(_whole_seconds(wait_s))
    return answer


def _sentence(error: exceptions.APIException, context: dict[str, Any]) -> str:
    """Say what was wrong, what is allowed and what to do, where the framework's own words say only the first."""
    text = str(error.detail)
    match error:
        case exceptions.ParseError() if text.startswith(_NO_JSON):
            return f"The body is no JSON: {text.removeprefix(_NO_JSON)}. Correct it and send it again."
        case exceptions.NotAuthenticated():
            return "Sign in first, or send your token along as “Authorization: Token …”."
        case exceptions.MethodNotAllowed():
            allowed = ", ".join(method for method in context["view"].allowed_methods if method != "OPTIONS")
            return f"This address does not take {context['request'].method}; it takes {allowed}."
        case exceptions.NotAcceptable():
            types = ", ".join(renderer.media_type for renderer in context["view"].get_renderers())
            return f"This address answers in {types} only; ask for that in the Accept header."
        case exceptions.UnsupportedMediaType():
            return "Send the body as JSON, with the header “Content-Type: application/json”."
        case exceptions.Throttled(wait=float() | int() as wait_s):
            return f"Too many tries; wait {_whole_seconds(wait_s)} s and try again."
    return text


def _whole_seconds(wait_s: float) -> int:
    return max(1, math.ceil(wait_s))
