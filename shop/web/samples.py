"""Laboratory samples: recording one, and accepting or declining what it shows."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from shop import clock
from shop.errors import ApplicationError
from shop.selectors.samples import jobs_to_sample, sample_find, sample_view, stands_on
from shop.selectors.units import unit_find
from shop.services.samples import SampleReport, sample_decide, sample_record
from shop.web.access import for_those_who
from shop.web.measuring_forms import SampleForm
from shop.web.units import NO_SUCH_UNIT

RECORD_REFUSAL = "Your role may not record samples. Ask the workshop to type it in."
NOT_MOVED = "Where the unit stands now rests on a later job or was typed in, and stays."
ACCEPT, DECLINE = "accept", "decline"
DECIDE_REFUSAL = "Your role may not accept samples. The foreman can accept or decline them."


@require_http_methods(["GET", "POST"])
@for_those_who("do", refusal=RECORD_REFUSAL)
def unit_sample(request: HttpRequest, code: str) -> HttpResponse:
    """Take a laboratory's report on a unit and say what share it shows."""
    unit = unit_find(request.user, code)
    if unit is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    jobs = jobs_to_sample(request.user, unit)
    today = clock.today(jobs[0].vehicle.depot.time_zone if jobs else "UTC")
    form = SampleForm(
        request.POST if request.method == "POST" else None,
        jobs=jobs,
        today=today,
        initial={"taken_on": today},
    )
    if form.is_valid():
        job = next(job for job in jobs if job.code == form.cleaned_data["job"])
        try:
            sample = sample_record(request.user, job, SampleReport(**form.report_values()))
        except ApplicationError as error:
            form.take_errors(error)
        else:
            sampled = sample_view(sample).sampled
            messages.success(
                request,
                f"Sample of {job.code} kept: fresh share {100 * sampled.share:.0f} ± {100 * sampled.sd:.0f} %. "
                "It counts once a person accepts it on the page Learned.",
            )
            return redirect("unit", code=code)
    context = {"form": form, "unit": unit, "jobs": jobs}
    return render(request, "shop/sample.html", context, status=422 if form.errors else 200)


@require_POST
@for_those_who("change unit data", refusal=DECIDE_REFUSAL)
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Accept or decline one sample."""
    sample = sample_find(request.user, pk)
    if sample is None:
        raise Http404("There is no such sample in your depots. Open the page again.")
    choice = request.POST.get("answer", "")
    if choice not in (ACCEPT, DECLINE):
        messages.error(request, f"“{choice}” is no answer; press Accept or Decline.")
        return redirect("learning")
    try:
        done = sample_decide(sample, choice == ACCEPT, request.user)
    except ApplicationError as error:
        messages.error(request, error.sentence)
    else:
        told = "declined; the job keeps the share it worked out."
        if choice == ACCEPT:
            told = f"the job now counts with {100 * done.job.fresh_share:.0f} % fresh, measured. " + (
                "Fluid age and next date follow." if stands_on(done.job) else NOT_MOVED
            )
        messages.success(request, f"{done.job.code}, {done.element}: {told}")
    return redirect("learning")
