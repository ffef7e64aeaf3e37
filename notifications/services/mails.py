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
from shop.services.daily_run import STEPS, steps_in_order

DAILY = "daily"
RUN_FAILED = "run failed"
TOGETHER = datetime.timedelta(hours=1)
"""A depot whose own hour comes later than this after another's is not waited for."""
FIGURES = {step.name for step in STEPS}
"""The steps of a depot's daily run after which its lines are those of the day."""


def mails_store(depot: Depot, as_of: datetime.date) -> int:
    """Put the daily mail of everyone who sees a depot into the outbox and return how many were new.

    A person of several depots gets one mail about all of them: it is written by whichever depot's run is the
    last to have its figures ready for the day. A depot whose run failed, or whose
    own hour comes more than one hour later (other time zones), is not waited for; the mail says so.
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
            awaited = {own.pk for own in depots if _starts(own, as_of) <= _starts(depot, as_of) + TOGETHER}
            if person.pk in told or not awaited <= through or not seen & ready:
                continue
            # People who see the same depots are told the same.
            digest = written.get(seen) or write_digest(digest_gather(person, as_of))
            written[seen] = digest
            html = render_to_string("notifications/daily.html", {"digest": digest})
            new += _store(person, DAILY, as_of, digest.subject, digest.text, html)
    return new


def _starts(depot: Depot, as_of: datetime.date) -> datetime.datetime:
    return clock.local_instant(as_of, depot.daily_run_at, depot.time_zone)


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
