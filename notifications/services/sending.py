"""Sends what is in the outboxes: claim one mail, send it, mark it; nobody is sent the same mail twice.

There are two: the mails to people (`Mail`) and the orders to suppliers (`OrderMail`); both are sent alike.

With a mail folder every mail becomes a file under a name of its own, so writing it again changes nothing and a
mail left claimed by a stopped process is simply written again. With a mail server it cannot be known whether a
mail went out before the process stopped: it becomes `unsure` and waits for a person to decide.
"""

import contextlib
import datetime
import glob
import logging
import os
import smtplib
from dataclasses import dataclass
from email.message import Message
from pathlib import Path

from django.conf import settings
from django.core.mail import get_connection

from notifications.models import Mail
from notifications.selectors import mails_waiting, order_mails_waiting
from notifications.services.messages import file_name, message_of
from shop import clock
from shop.errors import ConflictError, InputError
from shop.models import OrderMail
from shop.models.outbox import Outgoing

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
    """Send up to `limit` mails that wait, orders to suppliers first, then the oldest, each one tried once."""
    unsure = 0 if settings.MAIL_FOLDER else _mark_unsure()
    states = [Mail.State.QUEUED, *([Mail.State.SENDING] if settings.MAIL_FOLDER else [])]
    waiting: list[Outgoing] = list(order_mails_waiting().filter(state__in=states)[:limit])
    waiting += mails_waiting().filter(state__in=states)[: limit - len(waiting)]
    ended = [mail_send_one(mail) for mail in waiting]
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


def order_mail_send(order_mail_pk: int) -> str:
    """Send the mail of an order that has just been placed, without waiting for the next round.

    Returns the state it ended in, or nothing if it does not wait any more.
    """
    mail = order_mails_waiting().filter(pk=order_mail_pk, state=OrderMail.State.QUEUED).first()
    return mail_send_one(mail) if mail else ""


def mail_send_one(mail: Outgoing) -> str:
    """Claim and send one mail; return the state it ended in, or nothing if another process had it."""
    claim = clock.now()
    rows = type(mail)._default_manager
    mine = rows.filter(pk=mail.pk, state=mail.state, claimed_at=mail.claimed_at)
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
        log.warning("%s %s is %s: %s", mail._meta.verbose_name, mail.pk, changes["state"], changes["error"])
    rows.filter(pk=mail.pk, state=Mail.State.SENDING, claimed_at=claim).update(**changes)
    return str(changes["state"])


def _mark_unsure() -> int:
    stopped = {"state": Mail.State.SENDING, "claimed_at__lt": clock.now() - CLAIM_HOLDS}
    unsure = {
        "state": Mail.State.UNSURE,
        "error": "The sender was stopped while sending. Ask the reader; send it again only if it did not arrive.",
    }
    return sum(model.objects.filter(**stopped).update(**unsure) for model in (Mail, OrderMail))


def _hand_over(mail: Outgoing) -> None:
    if settings.MAIL_FOLDER:
        _write(Path(settings.MAIL_FOLDER), file_name(mail), message_of(mail).message())
    else:
        _post(mail)


def _write(folder: Path, name: str, message: Message) -> None:
    if message.is_multipart():
        # A boundary of our own instead of a random one: the same mail is the same file every time.
        message.set_boundary(f"=={name.removesuffix('.eml')}==")
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f".{name}.{os.getpid()}.part"
    try:
        with part.open("wb") as file:
            file.write(message.as_bytes())
            file.flush()
            os.fsync(file.fileno())
        _put_in_place(part, folder / name)
    finally:
        part.unlink(missing_ok=True)


def _put_in_place(part: Path, whole: Path) -> None:
    try:
        part.replace(whole)
    except FileNotFoundError:
        # Another process wrote the same mail, the same file, and tidied up.
        if not whole.exists():
            raise
    for left in whole.parent.glob(f".{glob.escape(whole.name)}.*.part"):
        # A writer was killed halfway.
        left.unlink(missing_ok=True)


def _post(mail: Outgoing) -> None:
    connection = get_connection()
    message = message_of(mail)
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
