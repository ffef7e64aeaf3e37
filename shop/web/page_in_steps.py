"""A page whose main part takes a while: sent from the top at once, then step by step, then the part itself."""

import logging
from collections.abc import Callable, Generator, Iterator
from contextlib import closing
from typing import Any

from django.http import HttpRequest, StreamingHttpResponse
from django.template.loader import render_to_string
from django.utils.crypto import get_random_string

from shop.errors import ApplicationError
from shop.planning.steps import Found, Step, Steps

BROKE = (
    "It broke on our side. Nothing was half saved. Try once more; if it stays, tell the person who runs the server the "
    "time and what you did."
)
logger = logging.getLogger(__name__)


def page_in_steps(
    request: HttpRequest,
    page: str,
    context: dict[str, Any],
    steps: Steps[Found],
    part: str,
    shown: Callable[[Found], dict[str, Any]],
) -> StreamingHttpResponse:
    """Send `page`, which has `{{ cut }}` where the steps stand and again where `part` stands.

    The first step is taken before anything is sent, so what it raises gets its own page and status; later errors are
    told in the page. When the reader leaves, the work ends with the answer.
    """
    first = next(steps)
    cut = get_random_string(32)
    top, between, bottom = render_to_string(page, {**context, "cut": cut}, request).split(cut)

    def pieces() -> Iterator[str]:
        with closing(steps):
            yield top + _told(first)
            try:
                found = yield from _each_told(steps)
                end = render_to_string(part, {**context, **shown(found)}, request)
            except ApplicationError as error:
                end = render_to_string("shop/_broke_off.html", {"sentence": error.sentence})
            except Exception:
                logger.exception("%s broke off", request.path)
                end = render_to_string("shop/_broke_off.html", {"sentence": BROKE})
            yield between + end + bottom

    return StreamingHttpResponse(pieces(), headers={"X-Accel-Buffering": "no"})


def _each_told(steps: Steps[Found]) -> Generator[str, None, Found]:
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            found: Found = end.value
            return found
        yield _told(step)


def _told(step: Step) -> str:
    return render_to_string("shop/_step.html", {"step": step})
