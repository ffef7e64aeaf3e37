"""Who may open a page: everybody signed in, and for some pages only certain roles."""

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse

P = ParamSpec("P")
View = Callable[Concatenate[HttpRequest, P], HttpResponse]


def for_those_who(*actions: str, refusal: str) -> Callable[[View[P]], View[P]]:
    """Open a view only to people whose role allows one of the actions; the others read the refusal."""

    def wrap(view: View[P]) -> View[P]:
        @wraps(view)
        def guarded(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponse:
            if not any(request.user.can(action) for action in actions):
                raise PermissionDenied(refusal)
            return view(request, *args, **kwargs)

        return login_required(guarded)

    return wrap
