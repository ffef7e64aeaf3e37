"""Builds the message of a stored mail: headers, text, what is attached."""

import re
from email.utils import format_datetime, parseaddr
from functools import singledispatch

from django.conf import settings
from django.core.mail import EmailMessage, EmailMultiAlternatives

from notifications.models import Mail
from notifications.render.order_mail import (
    OrderFacts,
    PackFacts,
    cancellation_subject,
    cancellation_text,
    order_subject,
    order_text,
)
from shop.models import OrderMail, SupplierOrder
from shop.models.outbox import Outgoing
from shop.selectors.order_sheet import order_csv, order_pdf


@singledispatch
def message_of(mail: Outgoing) -> EmailMessage:
    """Return the message of a mail; the same row always gives the same message."""
    raise TypeError(f"{type(mail).__name__} is no mail that can be sent.")


@message_of.register
def _(mail: Mail) -> EmailMessage:
    headers = _headers(mail, f"{mail.kind.replace(' ', '-')}.{mail.local_day.isoformat()}")
    # RFC 3834: keeps absence notes from answering
    headers["Auto-Submitted"] = "auto-generated"
    message = EmailMultiAlternatives(
        subject=mail.subject, body=mail.text, to=[mail.to_address], headers=headers
    )
    message.attach_alternative(mail.html, "text/html")
    return message


@message_of.register
def _(mail: OrderMail) -> EmailMessage:
    order = mail.order
    facts = _facts(order)
    answer_to = order.placed_by.email if order.placed_by else ""
    headers = _headers(mail, mail.kind)
    message = EmailMessage(to=[mail.to_address], reply_to=[answer_to] if answer_to else [], headers=headers)
    if mail.kind == OrderMail.Kind.CANCELLATION:
        message.subject, message.body = cancellation_subject(facts), cancellation_text(facts)
        if order.mail:
            # RFC 5322, 3.6.4: a mail reader shows it beside the order.
            headers["In-Reply-To"] = headers["References"] = _headers(order.mail, order.mail.kind)[
                "Message-ID"
            ]
        return message
    message.subject, message.body = order_subject(facts), order_text(facts)
    message.attach(f"{order.number}.pdf", order_pdf(order), "application/pdf")
    message.attach(f"{order.number}.csv", order_csv(order), "text/csv")
    return message


def file_name(mail: Outgoing) -> str:
    """Return the name a mail has in the mail folder."""
    if isinstance(mail, OrderMail):
        parts = f"{mail.order.ordered_on.isoformat()}_{mail.kind}_{mail.order.number}"
    else:
        parts = f"{mail.local_day.isoformat()}_{mail.person.username}_{mail.kind}"
    return re.sub(r"[^\w.@+-]", "-", parts) + ".eml"


def _headers(mail: Outgoing, name: str) -> dict[str, str]:
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    return {"Message-ID": f"<{name}.{mail.pk}@{domain}>", "Date": format_datetime(mail.queued_at)}


def _facts(order: SupplierOrder) -> OrderFacts:
    lines = list(order.lines.select_related("product").order_by("product__code"))
    return OrderFacts(
        number=order.number,
        depot=order.depot.name,
        customer_number=order.supplier.customer_number,
        ordered_by=str(order.placed_by or ""),
        ordered_on=order.ordered_on,
        expected_on=order.expected_on,
        note=order.note,
        packs=tuple(
            PackFacts(
                pack["count"], pack["printed"], f"{line.product.code} {line.product.name}", pack["price"]
            )
            for line in lines
            for pack in line.packs
        ),
        litres=sum(line.litres for line in lines),
        cost=str(sum(line.cost or 0 for line in lines)),
        currency=order.depot.currency,
    )
