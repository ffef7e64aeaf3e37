"""Fluids: specifications, products, approvals, the one-way replaced-by chain and mixing bans."""

from django.db import models
from django.db.models import F, Q

from shop.models.codes import in_addresses


class Specification(models.Model):
    """What a unit asks for: an open standard's class or a maker's own specification typed in by the user."""

    class Kind(models.TextChoices):
        OPEN_STANDARD = "open standard"
        MAKER = "maker"

    code = models.CharField(max_length=40, unique=True)
    kind = models.CharField(max_length=16, choices=Kind)
    note = models.CharField(max_length=200, blank=True)
    replaced_by = models.ForeignKey(
        "self",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="replaces",
        help_text="Newer specification that may be used instead; never the other way round.",
    )

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(replaced_by__isnull=True) | ~Q(replaced_by=F("id")),
                name="specification_not_its_own_successor",
            )
        ]

    def __str__(self) -> str:
        return self.code


class Product(models.Model):
    """A fluid one can buy and pour."""

    class Family(models.TextChoices):
        OIL = "lubricating oil"
        COOLANT = "coolant"
        BRAKE_FLUID = "brake fluid"

    code = models.CharField(max_length=24, unique=True, validators=[in_addresses])
    name = models.CharField(max_length=80)
    family = models.CharField(max_length=16, choices=Family, default=Family.OIL)
    density15_kg_m3 = models.FloatField(null=True, blank=True)
    kv40_mm2_s = models.FloatField(null=True, blank=True)
    kv100_mm2_s = models.FloatField(null=True, blank=True)
    strength_share = models.FloatField(
        null=True,
        blank=True,
        help_text="Coolant: glycol share by volume as sold; 1 is undiluted, 0.5 ready mixed.",
    )
    sealed_life_months = models.PositiveSmallIntegerField(null=True, blank=True)
    opened_life_months = models.PositiveSmallIntegerField(null=True, blank=True)
    top_ups_l_per_month = models.FloatField(default=0)
    most_on_shelf_l = models.FloatField(
        null=True, blank=True, help_text="Room or bund limit for this product; empty: no limit."
    )
    waste_stream = models.CharField(max_length=32, default="used oil")

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(top_ups_l_per_month__gte=0), name="top_ups_not_negative"),
            models.CheckConstraint(
                condition=Q(most_on_shelf_l__isnull=True) | Q(most_on_shelf_l__gt=0), name="room_above_zero"
            ),
            models.CheckConstraint(
                condition=Q(density15_kg_m3__isnull=True) | Q(density15_kg_m3__gt=0),
                name="density_above_zero",
            ),
            models.CheckConstraint(
                condition=Q(strength_share__isnull=True) | Q(strength_share__gt=0, strength_share__lte=1),
                name="strength_is_a_share",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Requirement(models.Model):
    """A specification a unit model's fluid must meet; all of them count."""

    unit_model = models.ForeignKey("shop.UnitModel", on_delete=models.CASCADE, related_name="requirements")
    specification = models.ForeignKey(Specification, on_delete=models.PROTECT, related_name="requirements")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["unit_model", "specification"], name="requirement_once")
        ]

    def __str__(self) -> str:
        return f"{self.unit_model.code}: {self.specification}"


class Approval(models.Model):
    """A product meets a specification, in one of three strengths."""

    class Strength(models.TextChoices):
        APPROVED = "approved", "approved (listed by the specification's owner)"
        CLAIMED = "claimed", "claimed suitable by the seller"
        HOUSE = "house", "approved by this house"

    product = models.ForeignKey(Product, on_delete=models.CASCADE, related_name="approvals")
    specification = models.ForeignKey(Specification, on_delete=models.CASCADE, related_name="approvals")
    strength = models.CharField(max_length=8, choices=Strength)
    approved_by = models.CharField(max_length=80, blank=True)
    approved_on = models.DateField(
        null=True, blank=True, help_text="Date of the letter, the list or the sheet it rests on."
    )
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["product", "specification"], name="approval_once"),
            models.CheckConstraint(
                condition=~Q(strength="house") | ~Q(approved_by=""), name="house_approval_names_a_person"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product.code} {self.strength} {self.specification}"


class MixingBan(models.Model):
    """A product that must never meet another product, or never go into a unit model, and why."""

    product = models.ForeignKey(Product, on_delete=models.CASCADE, related_name="bans")
    other_product = models.ForeignKey(
        Product, null=True, blank=True, on_delete=models.CASCADE, related_name="+"
    )
    unit_model = models.ForeignKey(
        "shop.UnitModel", null=True, blank=True, on_delete=models.CASCADE, related_name="bans"
    )
    reason = models.CharField(max_length=200)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(other_product__isnull=False, unit_model__isnull=True)
                | Q(other_product__isnull=True, unit_model__isnull=False),
                name="ban_has_one_other_side",
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="ban_gives_its_reason"),
            models.UniqueConstraint(
                fields=["product", "other_product"],
                condition=Q(unit_model__isnull=True),
                name="product_ban_once",
            ),
            models.UniqueConstraint(
                fields=["product", "unit_model"],
                condition=Q(other_product__isnull=True),
                name="unit_ban_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product.code} never with {self.other_product or self.unit_model}"
