"""A mail goes out once, whatever happens to the process that sends it."""

import email
import smtplib
import socket
from dataclasses import replace
from datetime import timedelta
from email.policy import default as default_policy
from pathlib import Path
from typing import Any

import pytest
from django.core.mail.backends.smtp import EmailBackend
from django.core.management import CommandError, call_command

from notifications.models import Mail
from notifications.services import sending
from notifications.services.sending import MAX_ATTEMPTS, SendReport, mails_send
from shop import clock
from tests.notifications.inbox import Inbox
from tests.notifications.rows import DAY, MORNING, a_depot, a_person

pytestmark = pytest.mark.django_db
# Longer than a header line, so that it has to be folded and must come back whole.
SUBJECT = "K08 must not move, 2 late, 4 due, order before 14:00, call the collector (Mon 2 Mar)"
LATER = MORNING + timedelta(minutes=16)


def a_mail(**more: Any) -> Mail:
    depot = a_depot(f"D{Mail.objects.count()}")
    told = {
        "person": a_person(depot, username=f"ines{Mail.objects.count()}"), "local_day": DAY,
        "to_address": "ines@shop.example", "subject": SUBJECT, "text": "LATE  K02 Book\n",
        "html": "<p>LATE <a href='/units/K02'>K02</a></p>", "queued_at": MORNING,
    }  # fmt: skip
    return Mail.objects.create(**(told | more))


def state_of(mail: Mail) -> str:
    mail.refresh_from_db()
    return mail.state


def test_a_mail_server_gets_text_and_html_once(inbox: Inbox) -> None:
    mail = a_mail()
    assert [mails_send().sent for _ in range(3)] == [1, 0, 0]
    (got,) = inbox.mails
    assert [part.get_content_type() for part in got.walk()] == [
        "multipart/alternative",
        "text/plain",
        "text/html",
    ]
    parts = {part.get_content_type(): part.get_content() for part in got.iter_parts()}  # type: ignore[attr-defined]
    assert parts["text/plain"].strip() == mail.text.strip()
    assert parts["text/html"].strip() == mail.html.strip()
    assert (got["Subject"], got["To"]) == (mail.subject, mail.to_address)
    assert got["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert state_of(mail) == Mail.State.SENT


def test_a_mail_keeps_its_message_id(inbox: Inbox) -> None:
    mail = a_mail()
    mails_send()
    Mail.objects.update(state=Mail.State.FAILED)
    call_command("mails_send", again=mail.pk)
    assert len({got["Message-ID"] for got in inbox.mails}) == 1
    assert len(inbox.mails) == 2


@pytest.mark.parametrize("stop", [SystemExit, KeyboardInterrupt])
def test_a_server_mail_in_hand_when_the_process_stops_is_not_sent_a_second_time(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch, stop: type[BaseException]
) -> None:
    mail = a_mail()
    really_send = EmailBackend.send_messages

    def send_and_stop(self: EmailBackend, messages: Any) -> None:
        really_send(self, messages)
        raise stop

    with monkeypatch.context() as patched:
        patched.setattr(EmailBackend, "send_messages", send_and_stop)
        with pytest.raises(stop):
            mails_send()
    assert state_of(mail) == Mail.State.SENDING
    assert mails_send() == SendReport()
    clock.pin(LATER)
    assert mails_send() == SendReport(unsure=1)
    assert mails_send() == SendReport()
    assert state_of(mail) == Mail.State.UNSURE
    assert len(inbox.mails) == 1


@pytest.mark.parametrize("stop", [SystemExit, KeyboardInterrupt])
@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_stopped_process_leaves_the_same_folder_behind_once_sent_again(
    mail_folder: Path, monkeypatch: pytest.MonkeyPatch, stop: type[BaseException], moment: str
) -> None:
    mail = a_mail()
    really_move = Path.replace

    def move_and_stop(self: Path, target: Path) -> None:
        if moment == "after":
            really_move(self, target)
        raise stop

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", move_and_stop)
        with pytest.raises(stop):
            mails_send()
    assert state_of(mail) == Mail.State.SENDING
    assert mails_send() == SendReport(sent=1)
    files = {path.name: path.read_bytes() for path in mail_folder.iterdir()}
    assert list(files) == ["2026-03-02_ines0_daily.eml"]
    Mail.objects.update(state=Mail.State.QUEUED)
    mails_send()
    assert {path.name: path.read_bytes() for path in mail_folder.iterdir()} == files


def test_what_a_writer_killed_halfway_left_is_tidied_away(mail_folder: Path) -> None:
    a_mail()
    mail_folder.mkdir(exist_ok=True)
    (mail_folder / ".2026-03-02_ines0_daily.eml.1234.part").write_bytes(b"Subject: hal")
    other = mail_folder / ".2026-03-02_mara_daily.eml.1235.part"
    other.write_bytes(b"being written")
    assert mails_send() == SendReport(sent=1)
    assert sorted(path.name for path in mail_folder.iterdir()) == [other.name, "2026-03-02_ines0_daily.eml"]


def test_two_that_write_the_same_mail_leave_it_whole(
    mail_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mail = a_mail()
    mails_send()
    (file,) = mail_folder.iterdir()
    whole = file.read_bytes()
    Mail.objects.update(state=Mail.State.QUEUED)
    really_move = Path.replace

    def tidied_by_the_other(self: Path, target: Path) -> None:
        self.unlink()
        really_move(self, target)

    monkeypatch.setattr(Path, "replace", tidied_by_the_other)
    assert mails_send() == SendReport(sent=1)
    assert file.read_bytes() == whole
    assert state_of(mail) == Mail.State.SENT


def test_the_file_is_a_mail_any_reader_opens(mail_folder: Path) -> None:
    mail = a_mail()
    mails_send()
    (file,) = mail_folder.iterdir()
    got = email.message_from_bytes(file.read_bytes(), policy=default_policy)
    assert got["Subject"] == mail.subject
    assert got.get_body(("plain",)).get_content().strip() == mail.text.strip()  # type: ignore[union-attr]
    assert got.get_body(("html",)).get_content().strip() == mail.html.strip()  # type: ignore[union-attr]


def test_a_name_cannot_lead_out_of_the_folder(mail_folder: Path) -> None:
    mail = a_mail()
    mail.person.username = "../../etc/x y"
    mail.person.save()
    mails_send()
    assert [path.name for path in mail_folder.iterdir()] == ["2026-03-02_..-..-etc-x-y_daily.eml"]


def test_a_refused_mail_is_tried_five_times_then_given_up(inbox: Inbox) -> None:
    mail = a_mail()
    inbox.answer = "554 No room"
    reports = [mails_send() for _ in range(MAX_ATTEMPTS + 1)]
    assert reports == [*[SendReport(put_back=1)] * (MAX_ATTEMPTS - 1), SendReport(failed=1), SendReport()]
    assert (state_of(mail), mail.attempts) == (Mail.State.FAILED, MAX_ATTEMPTS)
    assert "No room" in mail.error


def test_a_server_that_does_not_answer_costs_an_attempt_and_the_mail_goes_out_later(
    inbox: Inbox, settings: Any
) -> None:
    mail, port = a_mail(), settings.EMAIL_PORT
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        settings.EMAIL_PORT = closed.getsockname()[1]
    assert mails_send() == SendReport(put_back=1)
    settings.EMAIL_PORT = port
    assert mails_send() == SendReport(sent=1)
    assert (state_of(mail), mail.error) == (Mail.State.SENT, "")


@pytest.mark.parametrize("silence", [smtplib.SMTPServerDisconnected("gone"), TimeoutError("timed out")])
def test_a_server_gone_in_mid_mail_leaves_it_unsure(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch, silence: Exception
) -> None:
    def go_away(self: EmailBackend, messages: Any) -> None:
        raise silence

    monkeypatch.setattr(EmailBackend, "send_messages", go_away)
    mail = a_mail()
    assert mails_send() == SendReport(unsure=1)
    assert state_of(mail) == Mail.State.UNSURE
    assert mails_send() == SendReport()


def test_one_bad_mail_does_not_stop_the_others(inbox: Inbox) -> None:
    bad = a_mail(subject="two\nlines")
    good = a_mail()
    assert mails_send() == SendReport(sent=1, put_back=1)
    assert (state_of(bad), state_of(good)) == (Mail.State.QUEUED, Mail.State.SENT)


def test_a_mail_another_process_has_claimed_is_left_to_it(inbox: Inbox) -> None:
    mail = a_mail()
    seen_before = Mail.objects.get(pk=mail.pk)
    mails_send()
    assert sending.mail_send_one(seen_before) == ""
    assert len(inbox.mails) == 1


def test_the_limit_is_kept_and_the_oldest_go_first(mail_folder: Path) -> None:
    young = a_mail(queued_at=MORNING + timedelta(hours=1))
    old = a_mail(queued_at=MORNING)
    assert replace(mails_send(limit=1), sent=0) == SendReport()
    assert (state_of(old), state_of(young)) == (Mail.State.SENT, Mail.State.QUEUED)


def test_a_person_may_send_an_unsure_mail_again_but_not_a_sent_one(
    mail_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mail = a_mail(state=Mail.State.UNSURE)
    call_command("mails_send", again=mail.pk)
    assert "sent 1" in capsys.readouterr().out
    with pytest.raises(CommandError, match="is sent"):
        call_command("mails_send", again=mail.pk)
    with pytest.raises(CommandError, match="no mail 999"):
        call_command("mails_send", again=999)
