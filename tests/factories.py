"""Records for tests: small, invented, and valid by default."""

import datetime
from decimal import Decimal

import factory
from factory.django import DjangoModelFactory

from shop.models import (
    Depot,
    Fitting,
    IntervalRule,
    Meter,
    Pack,
    Person,
    Product,
    Reading,
    RuleVersion,
    StockItem,
    Supplier,
    Unit,
    UnitModel,
    Vehicle,
)


class DepotFactory(DjangoModelFactory):
    class Meta:
        model = Depot
        django_get_or_create = ("code",)

    code = "UY"
    name = "Upper Yard"
    time_zone = "Europe/Berlin"


class PersonFactory(DjangoModelFactory):
    class Meta:
        model = Person
        skip_postgeneration_save = True

    username = factory.Sequence(lambda n: f"person{n}")
    name = factory.LazyAttribute(lambda person: person.username.capitalize())
    role = Person.Role.FOREMAN

    @factory.post_generation
    def depots(self, create, extracted, **kwargs):
        if create and extracted:
            self.depots.set(extracted)


class VehicleFactory(DjangoModelFactory):
    class Meta:
        model = Vehicle

    depot = factory.SubFactory(DepotFactory)
    number = factory.Sequence(lambda n: f"V{n:03}")
    name = "Vallowend 35 van"
    kind = "van"


class MeterFactory(DjangoModelFactory):
    class Meta:
        model = Meter

    vehicle = factory.SubFactory(VehicleFactory)
    kind = Meter.Kind.ODOMETER
    shown_in = "km"


class ReadingFactory(DjangoModelFactory):
    """An accepted reading; give `raw_value`, and `read_at` with its time zone."""

    class Meta:
        model = Reading

    meter = factory.SubFactory(MeterFactory)
    read_at = datetime.datetime(2026, 3, 2, 4, 0, tzinfo=datetime.UTC)
    read_on = factory.LazyAttribute(lambda reading: reading.read_at.date())
    source = Reading.Source.TELEMATICS
    raw_value = 1000.0
    raw_text = factory.LazyAttribute(lambda reading: f"{reading.raw_value:g}")
    true_total = factory.LazyAttribute(lambda reading: reading.raw_value)


class ProductFactory(DjangoModelFactory):
    class Meta:
        model = Product

    code = factory.Sequence(lambda n: f"FX{n}")
    name = "Automatic gearbox fluid"


class UnitModelFactory(DjangoModelFactory):
    class Meta:
        model = UnitModel

    code = factory.Sequence(lambda n: f"M{n}")
    name = "Six-speed automatic"
    kind = UnitModel.Kind.AUTOMATIC
    product = factory.SubFactory(ProductFactory)


class UnitFactory(DjangoModelFactory):
    class Meta:
        model = Unit

    code = factory.Sequence(lambda n: f"U{n}")
    unit_model = factory.SubFactory(UnitModelFactory)


class FittingFactory(DjangoModelFactory):
    """A unit fitted in a vehicle since the vehicle was built."""

    class Meta:
        model = Fitting

    unit = factory.SubFactory(UnitFactory)
    vehicle = factory.SubFactory(VehicleFactory)
    position = "gearbox"


class IntervalRuleFactory(DjangoModelFactory):
    class Meta:
        model = IntervalRule

    unit_model = factory.SubFactory(UnitModelFactory)


class RuleVersionFactory(DjangoModelFactory):
    class Meta:
        model = RuleVersion

    rule = factory.SubFactory(IntervalRuleFactory)
    applies_from = datetime.date(2018, 1, 1)
    interval_km = 60_000.0
    interval_months = 48


class SupplierFactory(DjangoModelFactory):
    class Meta:
        model = Supplier

    code = factory.Sequence(lambda n: f"S{n}")
    name = "Brinnock Oils"
    lead_working_days = 4


class PackFactory(DjangoModelFactory):
    class Meta:
        model = Pack

    supplier = factory.SubFactory(SupplierFactory)
    product = factory.SubFactory(ProductFactory)
    size_l = 20.0
    printed = factory.LazyAttribute(lambda pack: f"{pack.size_l:g} L")
    price = Decimal("158.00")


class StockItemFactory(DjangoModelFactory):
    class Meta:
        model = StockItem

    depot = factory.SubFactory(DepotFactory)
    product = factory.SubFactory(ProductFactory)
    label = factory.Sequence(lambda n: f"A{n}")
    pack_size_l = 20.0
    on_shelf_l = 20.0
