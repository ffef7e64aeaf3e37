"""An order goes to its supplier by mail: once, with its sheet attached, and nobody wonders whether it went."""

import csv
import email
import io
from datetime import timedelta
from decimal import Decimal
from email.policy import default as default_policy
from pathlib import Path
from typing import Any

import pytest
from django.core.mail.backends.smtp import EmailBackend

from notifications.models import Mail
from notifications.render.digest import write_digest
from notifications.selectors import digest_gather
from notifications.services.sending import MAX_ATTEMPTS, SendReport, mails_send
from notifications.tasks import order_mail_send
from shop import clock
from shop.models import Depot, OrderedLine, OrderMail, Pack, SupplierOrder
from shop.selectors.order_sheet import order_pdf
from shop.services.supplier_orders import OrderAsked, order_cancel, order_mail_again, order_place
from tests.factories import PackFactory, PersonFactory, ProductFactory, SupplierFactory
from tests.notifications.inbox import Inbox
from tests.notifications.rows import DAY, MORNING, a_depot, a_person

pytestmark = pytest.mark.django_db
MAIL = "orders@brinnock.example"


@pytest.fixture
def pack() -> Pack:
    supplier = SupplierFactory(code="Brinnock", customer_number="70418", phone="01632 960 114")
    return PackFactory(
        supplier=supplier, product=ProductFactory(code="F01", name="ATF (hot)"), size_l=60, price=Decimal(429)
    )


def an_order(pack: Pack, depot: Depot | None = None, **more: Any) -> SupplierOrder:
    depot = depot or a_depot()
    petra = PersonFactory(username="petra", role="stores", email="petra@zellowby.example", depots=[depot])
    asked = {"mail_to": MAIL, "note": "Back gate, please."} | more
    return order_place(petra, depot, pack.supplier, OrderAsked(0, [(pack, 2)], **asked)).order


def test_a_mail_server_gets_the_order_once_with_pdf_and_csv(inbox: Inbox, pack: Pack) -> None:
    order = an_order(pack)
    assert [mails_send().sent for _ in range(3)] == [1, 0, 0]
    (got,) = inbox.mails
    assert (got["To"], got["Reply-To"]) == (MAIL, "petra@zellowby.example")
    assert got["Subject"] == "Order UY-2026-001 from Yard UY, customer 70418"
    # A person's answer is wanted, so nothing tells absence notes to keep still (RFC 3834, 5).
    assert got["Auto-Submitted"] is None
    text, pdf, sheet = got.iter_parts()  # type: ignore[attr-defined]
    for words in (
        "2 x 60 L  F01 ATF (hot)  at 429.00 EUR each",
        "Together 120 L, 858.00 EUR",
        "Back gate, please.",
    ):
        assert words in text.get_content()
    assert "Friday 6 March 2026" in text.get_content()
    assert (pdf.get_content_type(), pdf.get_filename()) == ("application/pdf", "UY-2026-001.pdf")
    assert pdf.get_content() == order_pdf(order)
    (row,) = csv.DictReader(io.StringIO(sheet.get_content()))
    assert (row["order"], row["count"], row["pack"], row["cost"]) == ("UY-2026-001", "2", "60 L", "858.00")
    assert OrderMail.objects.get().state == OrderMail.State.SENT


def test_it_goes_out_as_soon_as_the_order_is_committed(
    inbox: Inbox, pack: Pack, django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        an_order(pack)
        assert not inbox.mails
    assert len(inbox.mails) == 1
    assert mails_send() == SendReport()


def test_an_order_that_is_not_committed_sends_nothing(
    inbox: Inbox, pack: Pack, django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True) as waiting:
        order = an_order(pack)
        order_cancel(order.placed_by, order, "ordered twice")
    assert waiting
    assert not inbox.mails
    order_mail_send(12345)
    assert not inbox.mails


def test_a_cancelled_order_is_called_off_once_and_beside_the_order(
    inbox: Inbox, pack: Pack, django_capture_on_commit_callbacks: Any
) -> None:
    order = an_order(pack)
    assert mails_send().sent == 1
    with django_capture_on_commit_callbacks(execute=True):
        order_cancel(order.placed_by, order, "ordered twice")
        assert len(inbox.mails) == 1
    assert mails_send() == SendReport()
    ordered, got = inbox.mails
    assert (got["To"], got["Reply-To"]) == (MAIL, "petra@zellowby.example")
    assert got["Subject"] == "Cancelled: Order UY-2026-001 from Yard UY, customer 70418"
    # RFC 5322, 3.6.4
    assert got["In-Reply-To"] == got["References"] == ordered["Message-ID"] != got["Message-ID"]
    assert got.get_content_type() == "text/plain"
    assert got.get_content().splitlines() == [
        "Order UY-2026-001 of Monday 2 March 2026 is cancelled. Please deliver none of it to Yard UY:",
        "",
        "  2 x 60 L  F01 ATF (hot)",
        "",
        "Together 120 L.",
        "",
        "Please answer this mail if any of it is on its way already.",
        "",
        str(order.placed_by),
    ]


def test_an_order_cancelled_in_the_senders_hand_does_not_go_out_after_all(inbox: Inbox, pack: Pack) -> None:
    order = an_order(pack)
    OrderMail.objects.update(state="sending", claimed_at=MORNING)
    order_cancel(order.placed_by, order, "ordered twice")
    OrderMail.objects.filter(kind="order").update(state="queued", attempts=1)  # the server had said “later”
    assert mails_send().sent == 1
    assert [got["Subject"].partition(":")[0] for got in inbox.mails] == ["Cancelled"]


def test_by_word_of_mouth_no_mail_goes_out(inbox: Inbox, pack: Pack) -> None:
    an_order(pack, mail_to="", told="Oda, on the phone")
    assert mails_send() == SendReport()
    assert not inbox.mails


@pytest.mark.parametrize("stop", [SystemExit, KeyboardInterrupt])
def test_in_hand_when_the_process_stops_it_becomes_unsure_and_a_person_decides(
    inbox: Inbox, pack: Pack, monkeypatch: pytest.MonkeyPatch, stop: type[BaseException]
) -> None:
    order = an_order(pack)
    really_send = EmailBackend.send_messages

    def send_and_stop(self: EmailBackend, messages: Any) -> None:
        really_send(self, messages)
        raise stop

    with monkeypatch.context() as patched:
        patched.setattr(EmailBackend, "send_messages", send_and_stop)
        with pytest.raises(stop):
            mails_send()
    assert mails_send() == SendReport()
    clock.pin(MORNING + timedelta(minutes=16))
    assert mails_send() == SendReport(unsure=1)
    assert mails_send() == SendReport()
    assert len(inbox.mails) == 1
    order_mail_again(order.placed_by, order)
    assert mails_send().sent == 1
    assert len({got["Message-ID"] for got in inbox.mails}) == 1


def test_a_refusal_is_tried_again_and_given_up(inbox: Inbox, pack: Pack) -> None:
    an_order(pack)
    inbox.answer = "451 Later"
    for _ in range(MAX_ATTEMPTS + 1):
        mails_send()
    mail = OrderMail.objects.get()
    assert (mail.state, mail.attempts) == (OrderMail.State.FAILED, MAX_ATTEMPTS)
    assert "451" in mail.error


def test_orders_go_before_the_mails_of_the_morning(inbox: Inbox, pack: Pack) -> None:
    depot = a_depot()
    Mail.objects.create(
        person=a_person(depot), local_day=DAY, to_address="ines@shop.example", subject="s", text="t", html="h",
        queued_at=MORNING - timedelta(hours=1),
    )  # fmt: skip
    an_order(pack, depot)
    assert mails_send(limit=1).sent == 1
    assert inbox.mails[0]["To"] == MAIL
    assert mails_send().sent == 1


def test_in_the_folder_it_is_the_same_file_every_time(mail_folder: Path, pack: Pack) -> None:
    an_order(pack)
    mails_send()
    (path,) = mail_folder.iterdir()
    assert path.name == "2026-03-02_order_UY-2026-001.eml"
    before = path.read_bytes()
    OrderMail.objects.update(state=OrderMail.State.QUEUED)
    mails_send()
    assert path.read_bytes() == before
    message = email.message_from_bytes(before, policy=default_policy)
    assert [part.get_content_type() for part in message.iter_parts()] == [  # type: ignore[attr-defined]
        "text/plain",
        "application/pdf",
        "text/csv",
    ]


def test_a_cancellation_in_the_folder_is_plain_text_beside_the_order(mail_folder: Path, pack: Pack) -> None:
    order = an_order(pack)
    mails_send()
    order_cancel(order.placed_by, order, "ordered twice")
    mails_send()
    names = sorted(path.name for path in mail_folder.iterdir())
    assert names == ["2026-03-02_cancellation_UY-2026-001.eml", "2026-03-02_order_UY-2026-001.eml"]
    message = email.message_from_bytes((mail_folder / names[0]).read_bytes(), policy=default_policy)
    assert (message.get_content_type(), message.get_boundary()) == ("text/plain", None)


def test_the_daily_mail_says_whom_to_chase(pack: Pack) -> None:
    depot = a_depot()
    order = an_order(pack, depot)
    OrderedLine.objects.update(expected_on=DAY - timedelta(days=3))
    digest = write_digest(digest_gather(order.placed_by, DAY))
    (section,) = [own for own in digest.sections if own.label == "LATE DELIVERY"]
    (line,) = section.lines
    assert line.text.replace("\N{NO-BREAK SPACE}", " ") == (
        "Chase Brinnock Oils for UY-2026-001: 120.0 L F01, 3 days late; ring 01632 960 114"
    )
    assert [span.path for span in line.spans if span.path] == ["/orders/UY-2026-001"]
    OrderedLine.objects.update(promised_on=DAY)
    digest = write_digest(digest_gather(order.placed_by, DAY))
    assert "LATE DELIVERY" not in [own.label for own in digest.sections]
