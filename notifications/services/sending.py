"""Sends what is in the outbox: claim one mail, send it, mark it; nobody is sent the same mail twice.

With a mail folder every mail becomes a file under a name of its own, so writing it again changes nothing and a
mail left claimed by a stopped process is simply written again. With a mail server it cannot be known whether a
mail went out before the process stopped: it becomes `unsure` and waits for a person to decide.
"""

import contextlib
import datetime
import logging
import os
import re
import smtplib
from dataclasses import dataclass
from email.message import Message
from email.utils import format_datetime, parseaddr
from pathlib import Path

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection

from notifications.models import Mail
from notifications.selectors import mails_waiting
from shop import clock
from shop.errors import ConflictError, InputError

log = logging.getLogger(__name__)

MAX_ATTEMPTS = 5
CLAIM_HOLDS = datetime.timedelta(minutes=15)
ERROR_CHARACTERS = 300


@dataclass(frozen=True, slots=True)
class SendReport:
    """How many mails went out, were put back to be tried again, were given up, or cannot be said of."""

    sent: int = 0
    put_back: int = 0
    failed: int = 0
    unsure: int = 0


class _MayBeOut(Exception):
    """The server went away while it had the mail in hand."""


def mails_send(limit: int = 100) -> SendReport:
    """Send up to `limit` mails that wait, the oldest first, each one tried once."""
    unsure = 0 if settings.MAIL_FOLDER else _mark_unsure()
    states = [Mail.State.QUEUED, *([Mail.State.SENDING] if settings.MAIL_FOLDER else [])]
    ended = [mail_send_one(mail) for mail in mails_waiting().filter(state__in=states)[:limit]]
    return SendReport(
        sent=ended.count(Mail.State.SENT),
        put_back=ended.count(Mail.State.QUEUED),
        failed=ended.count(Mail.State.FAILED),
        unsure=unsure + ended.count(Mail.State.UNSURE),
    )


def mail_send_again(mail_pk: int) -> SendReport:
    """Send a mail that failed or is unsure once more, because a person says so.

    Raises InputError when there is no such mail, ConflictError when it is not in one of these two states.
    """
    mail = Mail.objects.filter(pk=mail_pk).first()
    if mail is None:
        raise InputError(f"There is no mail {mail_pk}; see the list of mails for its number.")
    again = [Mail.State.UNSURE, Mail.State.FAILED]
    if not Mail.objects.filter(pk=mail_pk, state__in=again).update(state=Mail.State.QUEUED, attempts=0):
        raise ConflictError(
            f"Mail {mail_pk} is {mail.state}; only one that failed or is unsure can be sent again. Leave it as it is."
        )
    mail.refresh_from_db()
    ended = mail_send_one(mail)
    return SendReport(
        sent=int(ended == Mail.State.SENT),
        put_back=int(ended == Mail.State.QUEUED),
        failed=int(ended == Mail.State.FAILED),
        unsure=int(ended == Mail.State.UNSURE),
    )


def mail_send_one(mail: Mail) -> str:
    """Claim and send one mail; return the state it ended in, or nothing if another process had it."""
    claim = clock.now()
    mine = Mail.objects.filter(pk=mail.pk, state=mail.state, claimed_at=mail.claimed_at)
    if not mine.update(state=Mail.State.SENDING, claimed_at=claim):
        return ""
    changes: dict[str, object] = {"state": Mail.State.SENT, "sent_at": clock.now(), "error": ""}
    try:
        _hand_over(mail)
    except _MayBeOut as error:
        changes = {"state": Mail.State.UNSURE, "error": _sentence(error)}
    except (smtplib.SMTPException, OSError, ValueError) as error:
        attempts = mail.attempts + 1
        state = Mail.State.FAILED if attempts >= MAX_ATTEMPTS else Mail.State.QUEUED
        changes = {"state": state, "attempts": attempts, "error": _sentence(error)}
    if changes["error"]:
        log.warning("mail %s is %s: %s", mail.pk, changes["state"], changes["error"])
    Mail.objects.filter(pk=mail.pk, state=Mail.State.SENDING, claimed_at=claim).update(**changes)
    return str(changes["state"])


def file_name(mail: Mail) -> str:
    """Return the name a mail has in the mail folder."""
    parts = f"{mail.local_day.isoformat()}_{mail.person.username}_{mail.kind}"
    return re.sub(r"[^\w.@+-]", "-", parts) + ".eml"


def _mark_unsure() -> int:
    stopped = Mail.objects.filter(state=Mail.State.SENDING, claimed_at__lt=clock.now() - CLAIM_HOLDS)
    return stopped.update(
        state=Mail.State.UNSURE,
        error="The sender was stopped while sending. Ask the reader; send it again only if it did not arrive.",
    )


def _hand_over(mail: Mail) -> None:
    if settings.MAIL_FOLDER:
        _write(Path(settings.MAIL_FOLDER), file_name(mail), _message(mail).message())
    else:
        _post(mail)


def _message(mail: Mail) -> EmailMultiAlternatives:
    kind = mail.kind.replace(" ", "-")
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    message = EmailMultiAlternatives(
        subject=mail.subject,
        body=mail.text,
        to=[mail.to_address],
        headers={
            "Message-ID": f"<{kind}.{mail.local_day.isoformat()}.{mail.pk}@{domain}>",
            "Date": format_datetime(mail.queued_at),
            "Auto-Submitted": "auto-generated",  # RFC 3834: keeps absence notes from answering
        },
    )
    message.attach_alternative(mail.html, "text/html")
    return message


def _write(folder: Path, name: str, message: Message) -> None:
    # A boundary of our own instead of a random one: the same mail is the same file every time.
    message.set_boundary(f"=={name.removesuffix('.eml')}==")
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f".{name}.{os.getpid()}.part"
    try:
        with part.open("wb") as file:
            file.write(message.as_bytes())
            file.flush()
            os.fsync(file.fileno())
        part.replace(folder / name)
    finally:
        part.unlink(missing_ok=True)


def _post(mail: Mail) -> None:
    connection = get_connection()
    message = _message(mail)
    connection.open()
    try:
        connection.send_messages([message])
    except (smtplib.SMTPServerDisconnected, OSError) as error:
        # A plain refusal is an SMTPException too, and that an OSError: only silence leaves it open.
        if isinstance(error, smtplib.SMTPException) and not isinstance(error, smtplib.SMTPServerDisconnected):
            raise
        raise _MayBeOut(f"The mail server went away in mid-mail: {error}") from error
    finally:
        with contextlib.suppress(smtplib.SMTPException, OSError):
            connection.close()


def _sentence(error: Exception) -> str:
    words = " ".join(str(error).split()) or type(error).__name__
    return f"{type(error).__name__}: {words}"[:ERROR_CHARACTERS]
