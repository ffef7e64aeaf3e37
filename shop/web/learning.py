"""What jobs have taught about the unit cards, and a person's decision about it."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from shop.errors import ApplicationError
from shop.selectors.learning import learning_page, proposal_find
from shop.services.learning_proposals import proposal_decide
from shop.web.access import for_those_who

ACCEPT, DECLINE = "accept", "decline"
REFUSAL = "Your role may not change unit cards. The foreman can accept or decline what was learned."


@require_safe
@login_required
def learning(request: HttpRequest) -> HttpResponse:
    """Show the learned figures that wait for a decision, with the jobs behind them."""
    return render(request, "shop/learning.html", {"page": learning_page(request.user)})


@require_POST
@for_those_who("change unit data", refusal=REFUSAL)
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Accept or decline one proposal."""
    proposal = proposal_find(request.user, pk)
    if proposal is None:
        raise Http404("There is no such proposal for the units of your depots. Open the page again.")
    choice = request.POST.get("answer", "")
    if choice not in (ACCEPT, DECLINE):
        messages.error(request, f"“{choice}” is no answer; press Accept or Decline.")
        return redirect("learning")
    try:
        decided = proposal_decide(proposal, choice == ACCEPT, request.user)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, _told(decided, choice == ACCEPT))
    return redirect("learning")


def _told(decided: Any, is_accepted: bool) -> str:
    what = f"{decided.subject.code}, {decided.figure.removesuffix('_l').removesuffix('_share').replace('_', ' ')}"
    if not is_accepted:
        return f"{what}: declined; it stays as it is until other jobs say so."
    if decided.tool is not None:
        return f"{what}: readings from today on are corrected by {100 * decided.card_value:.1f} %, learned."
    unit = "" if decided.measured_in == "-" else f" {decided.measured_in}"
    return (
        f"{what}: the card now says {decided.card_value:.2f}{unit}, learned. Plans follow at once, the order list with "
        "the next daily run."
    )
