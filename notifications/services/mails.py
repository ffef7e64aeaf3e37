"""Writes the mails of a morning into the outbox, one row per person and local day."""

import datetime

from django.db import transaction
from django.template.loader import render_to_string

from notifications.models import Mail
from notifications.render.digest import Digest, write_digest
from notifications.selectors import digest_gather, people_to_tell
from shop import clock
from shop.models import DailyRun, Depot, Person
from shop.selectors.access import depots_of
from shop.services.daily_run import DUE_LINES, STEPS, steps_in_order

DAILY = "daily"
RUN_FAILED = "run failed"
TOGETHER = datetime.timedelta(hours=1)
"""How long the mail of a person of several depots waits for the slower ones."""
FIGURES = {DUE_LINES, *(step.name for step in STEPS)}
"""The steps of a depot's daily run after which its lines are those of the day."""


def mails_store(depot: Depot, as_of: datetime.date) -> int:
    """Put the daily mail of everyone who sees a depot into the outbox and return how many were new.

    A person of several depots gets one mail about all of them: it is written by whichever depot's run is the
    last to have its figures ready for the day. Not waited for, and named in the mail, are a depot whose run
    failed, one whose own hour is more than an hour away (other time zones), and any at all once the first
    figures are an hour old: a run that never starts silences nobody for longer (see `mails_overdue`).
    The figures are noted as done before this step begins, so of two runs that end together at least one sees
    the other. Repeating adds nothing: person, kind and day are a unique key.
    """
    runs = {run.depot_id: run for run in DailyRun.objects.filter(as_of=as_of)}
    ready = {pk for pk, run in runs.items() if run.steps.keys() >= FIGURES}
    through = ready | {pk for pk, run in runs.items() if run.state == DailyRun.State.FAILED}
    told = set(Mail.objects.filter(kind=DAILY, local_day=as_of).values_list("person_id", flat=True))
    written: dict[frozenset[int], Digest] = {}
    new = 0
    with transaction.atomic():
        for person in people_to_tell(depot):
            depots = list(depots_of(person))
            seen = frozenset(own.pk for own in depots)
            not_yet = [own for own in depots if own.pk not in through]
            first_at = min((runs[pk].started_at for pk in seen & ready), default=None)
            if person.pk in told or first_at is None or _is_worth_waiting(not_yet, first_at, as_of):
                continue
            # People who see the same depots are told the same.
            digest = written.get(seen) or write_digest(digest_gather(person, as_of, not_yet))
            written[seen] = digest
            html = render_to_string("notifications/daily.html", {"digest": digest})
            new += _store(person, DAILY, as_of, digest.subject, digest.text, html)
    return new


def mails_overdue() -> int:
    """Write the mails that waited long enough for a depot whose run did not come; return how many were new."""
    days = {depot: clock.today(depot.time_zone) for depot in Depot.objects.order_by("code")}
    runs = DailyRun.objects.filter(as_of__in=set(days.values()), state=DailyRun.State.DONE)
    done = set(runs.values_list("depot_id", "as_of"))
    return sum(mails_store(depot, day) for depot, day in days.items() if (depot.pk, day) in done)


def _is_worth_waiting(not_yet: list[Depot], first_at: datetime.datetime, as_of: datetime.date) -> bool:
    now = clock.now()
    hours = [clock.local_instant(as_of, depot.daily_run_at, depot.time_zone) for depot in not_yet]
    return now - first_at < TOGETHER and any(hour <= now + TOGETHER for hour in hours)


def run_failure_store(run: DailyRun) -> int:
    """Tell everyone who sees a depot that its run failed; at most once per person and day. Returns how many."""
    subject = f"Daily run failed at {run.depot.code}: no figures for {run.as_of.isoformat()} yet"
    context = {"run": run, "done": list(steps_in_order(run))}
    text = render_to_string("notifications/run_failed.txt", context)
    html = render_to_string("notifications/run_failed.html", context)
    with transaction.atomic():
        return sum(
            _store(person, RUN_FAILED, run.as_of, subject, text, html) for person in people_to_tell(run.depot)
        )


def _store(person: Person, kind: str, day: datetime.date, subject: str, text: str, html: str) -> int:
    content = {
        "to_address": person.email,
        "subject": subject,
        "text": text,
        "html": html,
        "queued_at": clock.now(),
    }
    _, is_new = Mail.objects.get_or_create(person=person, kind=kind, local_day=day, defaults=content)
    return int(is_new)
