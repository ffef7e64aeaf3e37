"""Recording a finished job."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from shop import clock
from shop.errors import ApplicationError
from shop.selectors.measuring import tools_to_choose
from shop.selectors.units import UnitPage, unit_page
from shop.services.jobs import JobReport, job_close
from shop.web.access import for_those_who
from shop.web.forms import CoolantForm, JobForm
from shop.web.units import NO_SUCH_UNIT

REFUSAL = (
    "Your role cannot close a job. A technician or the foreman can; ask one of them to record it with you."
)


@require_http_methods(["GET", "POST"])
@for_those_who("close", refusal=REFUSAL)
def unit_job(request: HttpRequest, code: str) -> HttpResponse:
    """Ask what came out and went in, close the job, and say the new age and the next date."""
    coolant_form = CoolantForm(request.GET or None)
    coolant_form.is_valid()
    page = unit_page(request.user, code, coolant_form.asked())
    if page is None:
        raise Http404(NO_SUCH_UNIT.format(code))
    subjects = [line.rule.subject for line in page.lines] or ["fluid"]
    best = page.plan.best
    form = JobForm(
        request.POST if request.method == "POST" else None,
        subjects=subjects,
        methods=_methods(page),
        meters=page.meter_kinds,
        today=clock.today(page.vehicle.depot.time_zone),
        unit_kind=page.unit.unit_model.kind,
        rinse=page.rinse,
        initial={
            "subject": request.GET.get("subject") if request.GET.get("subject") in subjects else subjects[0],
            "method": page.booked_method or (best.title if best is not None else ""),
            "done_on": clock.today(page.vehicle.depot.time_zone),
            "done_by": str(request.user),
        },
    )
    form.offer_tools(tools_to_choose(request.user))
    if form.is_valid():
        try:
            job = job_close(request.user, page.unit, JobReport(**form.cleaned_data))
        except ApplicationError as error:
            form.take_errors(error)
        else:
            messages.success(
                request, f"Job {job.code} is closed. What the unit carries and its next date are below."
            )
            return redirect("unit", code=code)
    context = {
        "form": form,
        "page": page,
        "vehicle": page.vehicle,
        "depot": page.vehicle.depot,
        "best": best,
        "coolant_form": coolant_form,
    }
    return render(request, "shop/job.html", context, status=422 if form.errors else 200)


def _methods(page: UnitPage) -> list[str]:
    planned = [plan.title for plan in page.plan.plans.plans] if page.plan.plans is not None else []
    return list(dict.fromkeys([*planned, *page.unit.unit_model.methods]))
