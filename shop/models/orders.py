"""Suppliers, packs and prices, kits of parts, and the ordering list as last proposed."""

import datetime

from django.db import models
from django.db.models import Q

from shop.models.codes import in_addresses


class Supplier(models.Model):
    """Who sells, how fast, until what hour, from how much on."""

    code = models.CharField(max_length=24, unique=True, validators=[in_addresses])
    name = models.CharField(max_length=80)
    mail = models.EmailField(blank=True, help_text="Where orders go; empty: they are given by word of mouth.")
    phone = models.CharField(max_length=32, blank=True)
    customer_number = models.CharField(max_length=32, blank=True, help_text="Ours, as the supplier knows it.")
    lead_working_days = models.PositiveSmallIntegerField()
    cut_off = models.TimeField(
        null=True, blank=True, help_text="Orders after this local hour count as tomorrow's."
    )
    minimum_l = models.FloatField(null=True, blank=True)
    minimum_cost = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    order_cost = models.DecimalField(
        max_digits=8, decimal_places=2, null=True, blank=True,
        help_text="Writing, receiving and paying one order; empty: house default.",
    )  # fmt: skip
    freight_cost = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    free_freight_from = models.DecimalField(
        max_digits=10,
        decimal_places=2,
        null=True,
        blank=True,
        help_text="Order value that comes free of freight.",
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name


class Pack(models.Model):
    """A size in which a supplier sells a product; size kept in litres, the print on the pack kept beside it."""

    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="packs")
    product = models.ForeignKey("shop.Product", on_delete=models.CASCADE, related_name="packs")
    size_l = models.FloatField()
    printed = models.CharField(max_length=24, help_text="As printed on the pack, e.g. “5 L” or “1 US qt”.")
    price = models.DecimalField(max_digits=10, decimal_places=2)
    multiple = models.PositiveSmallIntegerField(default=1, help_text="Sold in cases of so many packs.")

    class Meta:
        ordering = ["product", "size_l"]
        constraints = [
            models.UniqueConstraint(fields=["supplier", "product", "printed"], name="pack_once"),
            models.CheckConstraint(condition=Q(size_l__gt=0), name="pack_holds_something"),
            models.CheckConstraint(condition=Q(price__gte=0), name="pack_price_not_negative"),
            models.CheckConstraint(condition=Q(multiple__gte=1), name="pack_multiple_at_least_1"),
        ]

    def __str__(self) -> str:
        return f"{self.product.code} {self.printed}"


class KitPart(models.Model):
    """A part or consumable a job on a unit model takes, and when."""

    class Condition(models.TextChoices):
        ALWAYS = "always"
        METHOD = "method"
        SEAL = "plug seal"
        FILTER = "filter"

    unit_model = models.ForeignKey("shop.UnitModel", on_delete=models.CASCADE, related_name="kit_parts")
    part = models.CharField(max_length=60)
    quantity = models.FloatField()
    measured_in = models.CharField(max_length=12, default="piece")
    condition = models.CharField(max_length=12, choices=Condition, default=Condition.ALWAYS)
    condition_value = models.CharField(max_length=40, blank=True)
    every_nth_service = models.PositiveSmallIntegerField(default=1)
    replaced_by = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["unit_model", "part"]
        constraints = [
            models.UniqueConstraint(fields=["unit_model", "part", "condition_value"], name="kit_part_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="kit_quantity_above_zero"),
            models.CheckConstraint(condition=Q(every_nth_service__gte=1), name="kit_every_nth_at_least_1"),
        ]

    def __str__(self) -> str:
        return f"{self.unit_model.code}: {self.quantity} {self.measured_in} {self.part}"


class OrderedLine(models.Model):
    """Litres of one product on order: a line of a placed order, or one of a file without its order."""

    order = models.ForeignKey(
        "shop.SupplierOrder", null=True, blank=True, on_delete=models.PROTECT, related_name="lines"
    )
    depot = models.ForeignKey("shop.Depot", on_delete=models.PROTECT, related_name="ordered_lines")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="ordered_lines")
    product = models.ForeignKey("shop.Product", on_delete=models.PROTECT, related_name="ordered_lines")
    litres = models.FloatField()
    received_l = models.FloatField(default=0)
    ordered_on = models.DateField()
    expected_on = models.DateField()
    promised_on = models.DateField(
        null=True,
        blank=True,
        help_text="A later day the supplier named when asked; the first one stays beside it.",
    )
    packs = models.JSONField(
        default=list, help_text="Packs ordered, as they were then: count, printed, size_l, price."
    )
    cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    closed_on = models.DateField(
        null=True, blank=True, help_text="The day the last of it came, or the rest was given up."
    )
    is_open = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "supplier", "product", "ordered_on"],
                condition=Q(order__isnull=True),
                name="ordered_line_once_a_day",
            ),
            models.UniqueConstraint(fields=["order", "product"], name="product_once_per_order"),
            models.CheckConstraint(condition=Q(litres__gt=0), name="ordered_litres_above_zero"),
            models.CheckConstraint(condition=Q(received_l__gte=0), name="received_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.litres} L {self.product.code} on order"

    @property
    def outstanding_l(self) -> float:
        """Litres that have not come yet; more than ordered may come."""
        return max(0.0, self.litres - self.received_l) if self.is_open else 0.0

    @property
    def over_l(self) -> float:
        """Litres that came beyond those ordered."""
        return max(0.0, self.received_l - self.litres)

    @property
    def coming_on(self) -> datetime.date:
        """The day the rest is to come: the one named last."""
        return self.promised_on or self.expected_on


class ProposedLine(models.Model):
    """One line of a depot's ordering list as the daily run last proposed it."""

    depot = models.ForeignKey("shop.Depot", on_delete=models.CASCADE, related_name="proposed_lines")
    product = models.ForeignKey("shop.Product", on_delete=models.CASCADE, related_name="proposed_lines")
    supplier = models.ForeignKey(Supplier, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    when = models.CharField(max_length=20)
    need_l = models.FloatField()
    free_l = models.FloatField()
    net_l = models.FloatField()
    order_l = models.FloatField()
    cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    left_over_l = models.FloatField(default=0)
    latest_order_day = models.DateField(null=True, blank=True)
    facts = models.JSONField(default=dict, help_text="Packs, jobs, what falls, the sums behind each figure.")
    sentence = models.CharField(max_length=500)
    worked_out_for = models.DateField()

    class Meta:
        ordering = ["depot", "product"]
        constraints = [
            models.UniqueConstraint(fields=["depot", "product"], name="one_proposed_line_per_product")
        ]

    def __str__(self) -> str:
        return f"{self.product.code}: {self.order_l} L"
