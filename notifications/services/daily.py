"""The daily run of a depot: the shop's own steps, then telling people."""

import datetime
import logging
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from notifications.selectors import people_without_address
from notifications.services.mails import mails_store, run_failure_store
from notifications.services.sending import mails_send
from shop import clock
from shop.errors import ApplicationError, InputError
from shop.models import DailyRun, Depot
from shop.services.daily_run import (
    CallHelpers,
    Step,
    no_helpers,
    refuse_earlier_day,
    run_steps,
    steps_in_order,
)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RunReport:
    """What one depot's run did, step by step."""

    depot: str
    as_of: datetime.date
    state: str
    steps: Mapping[str, Mapping[str, int]]
    error: str
    is_failed: bool
    was_done: bool


def daily_run(
    depot: Depot,
    as_of: datetime.date,
    *,
    is_again: bool = False,
    is_full: bool = False,
    call_helpers: CallHelpers = no_helpers,
) -> DailyRun:
    """Run a depot's day and return the run, done or failed; safe to repeat.

    A failed run is told to the depot's people, at most once a day, and goes on where it stopped when run again.
    Whoever else waited only for this depot is then told about the others.

    as_of: the depot's local day. is_again: do every step once more; nobody gets a second mail by it. is_full: work out
    every unit, not only those that may have changed. call_helpers: for a day in more than one part.
    """
    steps = (Step("mails stored", _mails_stored), Step("mails sent", _mails_sent, is_atomic=False))
    try:
        return run_steps(depot, as_of, steps, is_again=is_again, is_full=is_full, call_helpers=call_helpers)
    except ApplicationError:
        raise
    except Exception:
        log.exception("daily run of %s for %s failed", depot.code, as_of)
        run = DailyRun.objects.filter(depot=depot, as_of=as_of, state=DailyRun.State.FAILED).first()
        if run is None:
            raise
    run_failure_store(run)
    mails_store(depot, as_of)
    mails_send()
    return run


def daily_runs(
    depot_codes: Sequence[str] | None = None,
    as_of: datetime.date | None = None,
    *,
    is_again: bool = False,
    is_full: bool = False,
    call_helpers: CallHelpers = no_helpers,
) -> list[RunReport]:
    """Run some or all depots in turn and report on each; a failed one does not stop the others.

    depot_codes: None for all depots. as_of: None for each depot's own today. Raises InputError for a code that
    is not known, or when there is no depot at all, ConflictError before anything is run if a depot is further on.
    """
    depots = {depot.code: depot for depot in Depot.objects.order_by("code")}
    if not depots:
        raise InputError("There is no depot yet; load one first with `manage.py load`.")
    codes = list(dict.fromkeys(depots if depot_codes is None else depot_codes))
    unknown = [code for code in codes if code not in depots]
    if unknown:
        raise InputError(f"Depot {', '.join(unknown)} is not known; choose from {', '.join(depots)}.")
    days = {code: as_of or clock.today(depots[code].time_zone) for code in codes}
    for code, day in days.items():
        refuse_earlier_day(depots[code], day)
    reports = []
    for code, day in days.items():
        was_done = (
            not is_again
            and DailyRun.objects.filter(depot=depots[code], as_of=day, state=DailyRun.State.DONE).exists()
        )
        run = daily_run(depots[code], day, is_again=is_again, is_full=is_full, call_helpers=call_helpers)
        failed = run.state == DailyRun.State.FAILED
        reports.append(
            RunReport(code, run.as_of, str(run.state), steps_in_order(run), run.error, failed, was_done)
        )
    return reports


def daily_runs_due() -> list[tuple[Depot, datetime.date]]:
    """Return the depots whose hour has come on their own local day and whose run of that day is not done.

    The hour is compared as an instant, and the run is kept by its local day: a night in which the clock
    changes has one run, whether its hour is skipped or comes twice.
    """
    now = clock.now()
    days = {depot: clock.today(depot.time_zone) for depot in Depot.objects.order_by("code")}
    runs = DailyRun.objects.filter(as_of__in=set(days.values()), state=DailyRun.State.DONE)
    done = set(runs.values_list("depot_id", "as_of"))
    return [
        (depot, day)
        for depot, day in days.items()
        if now >= clock.local_instant(day, depot.daily_run_at, depot.time_zone)
        and (depot.pk, day) not in done
    ]


def _mails_stored(depot: Depot, as_of: datetime.date) -> dict[str, int]:
    return {
        "new_mails": mails_store(depot, as_of),
        "without_address": people_without_address(depot).count(),
    }


def _mails_sent(depot: Depot, as_of: datetime.date) -> dict[str, int]:
    return asdict(mails_send())
