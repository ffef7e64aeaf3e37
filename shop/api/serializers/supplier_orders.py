"""Orders with suppliers: drafts, placed orders, suppliers."""

from typing import Any

from rest_framework import serializers

from shop.models import OrderedLine, SupplierOrder
from shop.services.supplier_orders import MOST_PACKS


class PackRow(serializers.Serializer[Any]):
    """Packs of one size as they were ordered; price of one."""

    count = serializers.IntegerField()
    printed = serializers.CharField()
    size_l = serializers.FloatField()
    price = serializers.FloatField()


class OrderLineRow(serializers.ModelSerializer[OrderedLine]):
    """One product of an order."""

    product = serializers.CharField(source="product.code", read_only=True)
    packs = PackRow(many=True, read_only=True)
    cost = serializers.FloatField(read_only=True, allow_null=True)
    outstanding_l = serializers.FloatField(read_only=True)
    over_l = serializers.FloatField(read_only=True, help_text="Litres that came beyond those ordered.")

    class Meta:
        model = OrderedLine
        fields = (
            "id", "product", "packs", "litres", "cost", "received_l", "outstanding_l", "over_l", "expected_on",
            "promised_on", "closed_on", "is_open",
        )  # fmt: skip
        read_only_fields = fields


class SupplierOrderRow(serializers.ModelSerializer[SupplierOrder]):
    """One order with its lines and the state of its mail."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    supplier = serializers.CharField(source="supplier.code", read_only=True)
    placed_by = serializers.CharField(
        source="placed_by.username", default=None, read_only=True, allow_null=True
    )
    mail_state = serializers.CharField(
        source="mail.state", default=None, read_only=True, allow_null=True,
        help_text="queued, sending, sent, unsure or failed; null: no mail goes out.",
    )  # fmt: skip
    cancel_mail_state = serializers.CharField(
        source="cancel_mail.state", default=None, read_only=True, allow_null=True,
        help_text="The same of the mail that calls the order off.",
    )  # fmt: skip
    lines = OrderLineRow(many=True, read_only=True)

    class Meta:
        model = SupplierOrder
        fields = (
            "number", "depot", "supplier", "state", "placed_at", "placed_by", "ordered_on", "expected_on", "mail_to",
            "mail_state", "cancel_mail_state", "told", "note", "below_minimum_reason", "closed_on", "cancel_reason",
            "lines",
        )  # fmt: skip
        read_only_fields = fields


class PackGiven(serializers.Serializer[Any]):
    """So many packs of one product."""

    product = serializers.CharField(max_length=24)
    pack = serializers.CharField(max_length=24, help_text="As printed, e.g. “20 L”; see the draft.")
    count = serializers.IntegerField(min_value=1, max_value=MOST_PACKS)


class OrderGiven(serializers.Serializer[Any]):
    """An order to place."""

    depot = serializers.CharField(max_length=24)
    supplier = serializers.CharField(max_length=24)
    draft = serializers.IntegerField(
        min_value=0, help_text="As the draft says; one draft never becomes two orders."
    )
    packs = PackGiven(many=True, allow_empty=False)
    mail_to = serializers.CharField(
        required=False, max_length=254, default="", allow_blank=True, help_text="Empty: no mail goes out."
    )
    told = serializers.CharField(
        required=False, max_length=80, default="", allow_blank=True, help_text="Who took it, without a mail."
    )
    note = serializers.CharField(required=False, max_length=300, default="", allow_blank=True)
    below_minimum_reason = serializers.CharField(required=False, max_length=200, default="", allow_blank=True)
    expected_on = serializers.DateField(required=False, allow_null=True, default=None)


class CancelGiven(serializers.Serializer[Any]):
    """Why an order is cancelled."""

    reason = serializers.CharField(max_length=200)


class ChaseGiven(serializers.Serializer[Any]):
    """What the supplier said about a late order."""

    promised_on = serializers.DateField()
    note = serializers.CharField(max_length=200)


class GiveUpGiven(serializers.Serializer[Any]):
    """A line of which the rest will not come."""

    line = serializers.IntegerField(min_value=1, help_text="Id of the line.")
    note = serializers.CharField(max_length=200)


class NothingGiven(serializers.Serializer[Any]):
    """An empty body."""


class PackOfferedRow(serializers.Serializer[Any]):
    """A pack that can be ordered, and how many of it are proposed."""

    product = serializers.CharField(source="pack.product.code")
    pack = serializers.CharField(source="pack.printed")
    size_l = serializers.FloatField(source="pack.size_l")
    price = serializers.FloatField(source="pack.price")
    multiple = serializers.IntegerField(source="pack.multiple")
    count = serializers.IntegerField()


class HourRow(serializers.Serializer[Any]):
    """The next cut-off and what it decides."""

    cut_off_on = serializers.DateField()
    cut_off = serializers.TimeField()
    arrives_on = serializers.DateField(help_text="Delivery of an order given before it.")
    later_on = serializers.DateField(help_text="Delivery of an order given after it.")


class DraftRow(serializers.Serializer[Any]):
    """The next order of a shelf with a supplier, as proposed."""

    depot = serializers.CharField(source="draft.depot.code")
    supplier = serializers.CharField(source="draft.supplier.code")
    draft = serializers.IntegerField(source="draft.number")
    hour = HourRow(source="draft.hour")
    packs = PackOfferedRow(source="draft.packs", many=True)
    litres = serializers.FloatField(source="check.litres")
    cost = serializers.FloatField(source="check.cost")
    notes = serializers.SerializerMethodField()

    def get_notes(self, told: Any) -> list[str]:
        """Return what the supplier's terms say to it."""
        check = told["check"]
        return [str(reason) for reason in (*check.refusals, *check.below_minimum, *check.notes)]


class PunctualityRow(serializers.Serializer[Any]):
    """What orders that are over show of a supplier; null where no order says anything."""

    orders = serializers.IntegerField()
    on_time = serializers.IntegerField()
    on_time_share = serializers.FloatField(allow_null=True)
    low_share = serializers.FloatField(allow_null=True, help_text="Low end of the 80 % range.")
    high_share = serializers.FloatField(allow_null=True, help_text="High end of the 80 % range.")
    median_lead = serializers.FloatField(allow_null=True, help_text="Working days.")
    p80_lead = serializers.IntegerField(allow_null=True, help_text="Working days.")
    margin_days = serializers.IntegerField(help_text="Calendar days kept for a late delivery.")
    is_margin_learned = serializers.BooleanField()


class SupplierRow(serializers.Serializer[Any]):
    """A supplier's terms and punctuality."""

    code = serializers.CharField(source="supplier.code")
    name = serializers.CharField(source="supplier.name")
    lead_working_days = serializers.IntegerField(source="supplier.lead_working_days")
    cut_off = serializers.TimeField(source="supplier.cut_off", allow_null=True)
    minimum_l = serializers.FloatField(source="supplier.minimum_l", allow_null=True)
    minimum_cost = serializers.FloatField(source="supplier.minimum_cost", allow_null=True)
    free_freight_from = serializers.FloatField(source="supplier.free_freight_from", allow_null=True)
    mail = serializers.CharField(source="supplier.mail")
    phone = serializers.CharField(source="supplier.phone")
    customer_number = serializers.CharField(source="supplier.customer_number")
    punctuality = PunctualityRow()
