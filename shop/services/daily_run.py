"""The daily run of a depot: named steps, each done once, safe to repeat and to stop anywhere."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import partial

from django.db import transaction

from shop import clock
from shop.errors import ConflictError
from shop.models import DailyRun, Depot
from shop.services.due_parts import parts_done, parts_give_up, parts_lay, parts_work
from shop.services.learning import learn_refit
from shop.services.orders import order_list_propose

Work = Callable[[Depot, datetime.date], Mapping[str, int]]
CallHelpers = Callable[[int, int], None]
"""Asks other processes to help; takes the run's key and how many of them could."""


def no_helpers(run_pk: int, most: int) -> None:
    """Work alone."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the run.

    is_atomic: the work and the note that it is done are written together or not at all. A step that reaches out of
    the database (sending mail) or is done in parts is not; it has to be harmless when repeated.
    """

    name: str
    work: Work
    is_atomic: bool = True


def _due_lines(
    depot: Depot, as_of: datetime.date, *, is_full: bool, call_helpers: CallHelpers
) -> Mapping[str, int]:
    run = DailyRun.objects.get(depot=depot, as_of=as_of)
    parts = parts_lay(run.pk, is_full=is_full)
    if parts > 1:
        call_helpers(run.pk, parts - 1)
    parts_work(run.pk, is_last=True)
    return parts_done(run.pk)


def _order_list(depot: Depot, as_of: datetime.date) -> Mapping[str, int]:
    return asdict(order_list_propose(depot, as_of, depot.daily_run_at))


def _learning(depot: Depot, as_of: datetime.date) -> Mapping[str, int]:
    """Refit what all depots' jobs teach: unit models are shared, and the second depot of a morning finds it done."""
    return learn_refit(as_of).counts()


DUE_LINES = "due lines"
STEP_NAMES = (DUE_LINES, "order list", "learning", "mails stored", "mails sent")
"""All steps in their order; the database does not keep the order of what is done."""

STEPS = (Step("order list", _order_list), Step("learning", _learning))


def refuse_earlier_day(depot: Depot, as_of: datetime.date) -> None:
    """Raise ConflictError for a day before the depot's newest run: it would overwrite what stands now."""
    newest = DailyRun.objects.filter(depot=depot, as_of__gt=as_of).order_by("-as_of").first()
    if newest is not None:
        raise ConflictError(
            f"{depot.code} was worked out for {newest.as_of} already; {as_of} lies before it and would overwrite what "
            "stands now. Choose that day or a later one.",
            fields={"as_of": f"{as_of} lies before {newest.as_of}."},
        )


def run_steps(
    depot: Depot,
    as_of: datetime.date,
    more_steps: Sequence[Step] = (),
    *,
    is_again: bool = False,
    is_full: bool = False,
    call_helpers: CallHelpers = no_helpers,
) -> DailyRun:
    """Run the steps of a depot's day that are not done yet and return the run.

    A run that is done is returned as it stands; an interrupted or failed one goes on where it stopped. A second
    process that runs the same day helps with the due lines, waits for any other step under way and then finds it done.

    Raises ConflictError for a day before the depot's newest run.
    as_of: the depot's local day. is_again: do every step once more, because records have changed since.
    is_full: work out every unit, not only those that may have changed. call_helpers: for a day in more than one part.
    """
    refuse_earlier_day(depot, as_of)
    run, _ = DailyRun.objects.get_or_create(depot=depot, as_of=as_of, defaults={"started_at": clock.now()})
    if run.state == DailyRun.State.DONE and not is_again:
        return run
    if is_again:
        DailyRun.objects.filter(pk=run.pk).update(steps={}, state=DailyRun.State.RUNNING, finished_at=None)
        parts_give_up(run.parts.all())
    due_lines = partial(_due_lines, is_full=is_full, call_helpers=call_helpers)
    for step in (Step(DUE_LINES, due_lines, is_atomic=False), *STEPS, *more_steps):
        try:
            _do(run.pk, step, depot, as_of)
        except Exception as error:
            DailyRun.objects.filter(pk=run.pk).update(
                state=DailyRun.State.FAILED, error=f"{step.name}: {error}"[:300]
            )
            raise
    with transaction.atomic():
        locked = DailyRun.objects.select_for_update().get(pk=run.pk)
        if locked.state != DailyRun.State.DONE:
            locked.state, locked.finished_at, locked.error = DailyRun.State.DONE, clock.now(), ""
            locked.save(update_fields=["state", "finished_at", "error"])
    return locked


def steps_in_order(run: DailyRun) -> dict[str, Mapping[str, int]]:
    """Return what the finished steps of a run did, in the order they are done."""
    known = [name for name in STEP_NAMES if name in run.steps]
    return {name: run.steps[name] for name in [*known, *sorted(set(run.steps) - set(known))]}


def _do(run_pk: int, step: Step, depot: Depot, as_of: datetime.date) -> None:
    if not step.is_atomic:
        if step.name not in DailyRun.objects.get(pk=run_pk).steps:
            _note(run_pk, step.name, step.work(depot, as_of))
        return
    with transaction.atomic():
        run = DailyRun.objects.select_for_update().get(pk=run_pk)
        if step.name not in run.steps:
            counts = step.work(depot, as_of)
            run.steps = {**run.steps, step.name: dict(counts)}
            run.state = DailyRun.State.RUNNING
            run.save(update_fields=["steps", "state"])


def _note(run_pk: int, name: str, counts: Mapping[str, int]) -> None:
    with transaction.atomic():
        run = DailyRun.objects.select_for_update().get(pk=run_pk)
        run.steps = {**run.steps, name: dict(counts)}
        run.save(update_fields=["steps"])
