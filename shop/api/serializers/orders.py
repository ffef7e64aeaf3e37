"""Lines of the ordering list."""

from rest_framework import serializers

from shop.api.serializers.fields import Facts
from shop.models import ProposedLine


class OrderRow(serializers.ModelSerializer[ProposedLine]):
    """What to do about one fluid of one shelf."""

    depot = serializers.CharField(source="depot.code", read_only=True)
    product = serializers.CharField(source="product.code", read_only=True)
    product_name = serializers.CharField(source="product.name", read_only=True)
    supplier = serializers.CharField(source="supplier.code", default=None, read_only=True, allow_null=True)
    cost = serializers.FloatField(read_only=True, allow_null=True)
    currency = serializers.CharField(source="depot.currency", read_only=True)
    facts = Facts(
        read_only=True,
        help_text="Packs with price, jobs behind the need, what falls without it, the shelf, what is blocked.",
    )

    class Meta:
        model = ProposedLine
        fields = (
            "depot",
            "product",
            "product_name",
            "supplier",
            "when",
            "latest_order_day",
            "need_l",
            "free_l",
            "net_l",
            "order_l",
            "left_over_l",
            "cost",
            "currency",
            "sentence",
            "facts",
            "worked_out_for",
        )
        read_only_fields = fields
