"""What jobs have taught about the unit cards, and a person's decision about it."""

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
        what = f"{decided.unit_model.code}, {decided.figure.removesuffix('_l').replace('_', ' ')}"
        told = (
            f"{what}: the card now says {decided.card_value:.2f} L, learned. Plans follow at once, the order list "
            "with the next daily run."
            if choice == ACCEPT
            else f"{what}: declined; the card stays as it is until other jobs say so."
        )
        messages.success(request, told)
    return redirect("learning")
