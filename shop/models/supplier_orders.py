"""Orders placed with suppliers, and the mails that carry them."""

from django.db import models
from django.db.models import Q

from shop.models.outbox import Outgoing


class SupplierOrder(models.Model):
    """One order of one shelf with one supplier; its lines are `OrderedLine` rows."""

    class State(models.TextChoices):
        PLACED = "placed"
        PART_RECEIVED = "part received"
        CLOSED = "closed"
        CANCELLED = "cancelled"

    OPEN = (State.PLACED, State.PART_RECEIVED)

    number = models.CharField(max_length=32, unique=True, help_text="Depot, year and place in that year.")
    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="supplier_orders")
    year = models.PositiveSmallIntegerField()
    sequence = models.PositiveIntegerField()
    supplier = models.ForeignKey("shop.Supplier", on_delete=models.PROTECT, related_name="orders")
    draft = models.PositiveIntegerField(
        help_text="How many orders of this depot with this supplier came before; a draft becomes one order."
    )
    state = models.CharField(max_length=13, choices=State, default=State.PLACED)
    placed_at = models.DateTimeField()
    placed_by = models.ForeignKey(
        "shop.Person", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    ordered_on = models.DateField(help_text="The depot's local day.")
    expected_on = models.DateField()
    mail_to = models.EmailField(blank=True, help_text="Empty: no mail, the order was given by word of mouth.")
    told = models.CharField(
        max_length=80, blank=True, help_text="Who took the order, where no mail goes out."
    )
    note = models.CharField(max_length=300, blank=True, help_text="Printed on the order.")
    below_minimum_reason = models.CharField(max_length=200, blank=True)
    closed_on = models.DateField(null=True, blank=True)
    cancel_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-placed_at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "year", "sequence"], name="order_number_once_a_year"),
            models.UniqueConstraint(fields=["depot", "supplier", "draft"], name="one_order_per_draft"),
            models.CheckConstraint(condition=~Q(mail_to="", told=""), name="order_mailed_or_told"),
            models.CheckConstraint(condition=Q(sequence__gte=1), name="order_sequence_from_1"),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(cancel_reason=""), name="cancelled_order_says_why"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["placed", "part received"], closed_on__isnull=True)
                | Q(state__in=["closed", "cancelled"], closed_on__isnull=False),
                name="order_over_has_its_day",
            ),
        ]
        indexes = [models.Index(fields=["depot", "state"], name="order_by_depot_and_state")]

    def __str__(self) -> str:
        return self.number

    @property
    def is_open(self) -> bool:
        """Whether anything may still come."""
        return self.state in self.OPEN

    @property
    def open_lines(self) -> list[models.Model]:
        """The lines of which something may still come."""
        return [line for line in self.lines.all() if line.is_open]

    @property
    def mail(self) -> "OrderMail | None":
        """The mail that carries the order; None: by word of mouth, or withdrawn before it went out."""
        return self._mail(OrderMail.Kind.ORDER)

    @property
    def cancel_mail(self) -> "OrderMail | None":
        """The mail that calls the order off."""
        return self._mail(OrderMail.Kind.CANCELLATION)

    def _mail(self, kind: str) -> "OrderMail | None":
        return next((mail for mail in self.mails.all() if mail.kind == kind), None)


class OrderMail(Outgoing):
    """A mail that carries an order to its supplier, or calls it off; one of each per order."""

    class Kind(models.TextChoices):
        ORDER = "order"
        CANCELLATION = "cancellation"

    order = models.ForeignKey(SupplierOrder, on_delete=models.CASCADE, related_name="mails")
    kind = models.CharField(max_length=12, choices=Kind, default=Kind.ORDER)
    to_address = models.EmailField()

    class Meta:
        ordering = ["queued_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["order", "kind"], name="one_order_mail_of_each_kind"),
        ]
        indexes = [models.Index(fields=["state"], name="order_mail_by_state")]

    def __str__(self) -> str:
        return f"{self.order} → {self.to_address}"
