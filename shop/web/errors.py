"""Pages for what went wrong: what it was, and where to go on."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string

NOT_ALLOWED = "Your role does not reach this page. The foreman can tell you who can."
NOT_FOUND = "There is nothing at this address, or it belongs to a depot you do not see."


def not_allowed(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Say what the person's role does not allow."""
    sentence = str(exception) or NOT_ALLOWED
    return render(request, "shop/error.html", {"title": "Not allowed", "sentence": sentence}, status=403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Say that there is nothing here; only sentences of our own are shown, never the address resolver's."""
    told = exception.args[0] if exception.args else ""
    sentence = told if isinstance(told, str) and told.startswith("There is no ") else NOT_FOUND
    return render(request, "shop/error.html", {"title": "Not here", "sentence": sentence}, status=404)


def failed(request: HttpRequest) -> HttpResponse:
    """Say that it broke, without asking the database for anything."""
    return HttpResponse(render_to_string("shop/failed.html"), status=500)
