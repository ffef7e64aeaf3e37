"""Thin tasks over the services of the same names."""

import datetime

from celery import shared_task

from notifications.services import daily, mails, sending
from shop.services import due_parts


@shared_task
def daily_runs_due() -> None:
    """Start the run of every depot whose local hour has come, and let no mail wait for one that does not come."""
    for depot, day in daily.daily_runs_due():
        daily_run.delay(depot.code, day.isoformat())
    mails.mails_overdue()


@shared_task
def daily_run(depot_code: str, as_of: str) -> None:
    """Run one depot's day."""
    daily.daily_runs([depot_code], datetime.date.fromisoformat(as_of), call_helpers=_call_helpers)


@shared_task
def due_parts_help(run_pk: int) -> None:
    """Help with the due lines of a run, as long as there are parts nobody has taken."""
    due_parts.parts_work(run_pk, is_last=False)


def _call_helpers(run_pk: int, most: int) -> None:
    for _ in range(most):
        due_parts_help.delay(run_pk)


@shared_task
def mails_send() -> None:
    """Send the mails that wait."""
    sending.mails_send()


@shared_task
def order_mail_send(order_mail_pk: int) -> None:
    """Send the mail of an order just placed."""
    sending.order_mail_send(order_mail_pk)
