"""The demo depot orders on day 0 and gets its fluid on day 4; the litres follow from the demo's own figures."""

import datetime
import email
from collections import defaultdict
from email.policy import default as default_policy

import numpy as np
import pytest
from django.conf import settings

from notifications.services.sending import mails_send
from shop import clock
from shop.models import (
    CardFigure,
    Depot,
    DueLine,
    Fitting,
    OrderedLine,
    Person,
    Product,
    ProposedLine,
    Supplier,
    SupplierOrder,
    Unit,
)
from shop.selectors import needs
from shop.selectors.order_draft import draft_checked, order_draft
from shop.selectors.supplier_orders import lines_coming, units_waiting
from shop.selectors.suppliers import punctuality_by_supplier
from shop.services.goods_in import PacksIn, goods_in
from shop.services.orders import order_list_propose
from shop.services.supplier_orders import OrderAsked, order_place

FRIDAY = datetime.date(2026, 3, 6)


@pytest.fixture
def petra(depot_run: datetime.date) -> Person:
    clock.pin(datetime.datetime(2026, 3, 2, 8, 0, tzinfo=datetime.UTC))  # 09:00 there
    return Person.objects.get(username="petra")


@pytest.fixture
def order(petra: Person) -> SupplierOrder:
    shelf, supplier = Depot.objects.get(code="UY"), Supplier.objects.get(code="Brinnock")
    draft = order_draft(shelf, supplier)
    packs = [(own.pack, own.count) for own in draft.packs]
    check = draft_checked(draft, packs)
    assert (check.litres, str(check.cost), check.below_minimum) == (100.0, "597.00", ())
    return order_place(petra, shelf, supplier, OrderAsked(draft.number, packs, mail_to=supplier.mail)).order


def waiting(petra: Person) -> set[str]:
    return set(units_waiting(petra, lines_coming(petra)))


def test_the_60_litres_are_ordered_on_day_0_and_jobs_wait_until_they_come(
    petra: Person, order: SupplierOrder
) -> None:
    assert {line.product.code: line.litres for line in order.lines.all()} == {"F01": 60.0, "F15": 40.0}
    assert order.expected_on == FRIDAY
    line = ProposedLine.objects.get(product__code="F01")
    assert (line.when, line.facts["on_order_l"], line.free_l) == ("nothing to order", 60.0, 23.0)
    # 23 L free serve K08 and K01; K34 needs 120.5 L of 100 on the shelf and 40 on the way.
    assert waiting(petra) == {"K02-TB6", "K19-TB6", "K09-TB6", "K34-HY"}
    clock.pin(datetime.datetime(2026, 3, 6, 9, 0, tzinfo=datetime.UTC))
    atf = order.lines.get(product__code="F01")
    goods_in(petra, order.depot, atf.product, [PacksIn(60.0, 1, "ATF-2602", datetime.date(2030, 3, 31))], atf)
    order.refresh_from_db()
    assert order.state == "part received"
    assert waiting(petra) == {"K34-HY"}


def test_the_order_leaves_as_a_mail(petra: Person, order: SupplierOrder) -> None:
    mails_send()
    (path,) = settings.MAIL_FOLDER.glob("*order*")
    message = email.message_from_bytes(path.read_bytes(), policy=default_policy)
    assert (message["To"], message["Subject"]) == (
        "orders@brinnock.example",
        "Order UY-2026-001 from Upper Yard, customer 70418",
    )


def test_the_demo_suppliers_are_as_punctual_as_told(depot_run: datetime.date) -> None:
    codes = dict(Supplier.objects.values_list("code", "pk"))
    seen = punctuality_by_supplier(codes.values())
    told = {code: (seen[pk].on_time, seen[pk].orders) for code, pk in codes.items() if seen[pk].orders}
    assert told == {"Brinnock": (11, 12), "Farlowick": (3, 4), "Quarlane": (6, 6), "Yostlemere": (14, 15)}
    assert not any(own.is_margin_learned for own in seen.values())


def test_a_learned_margin_moves_the_horizon(petra: Person) -> None:
    shelf, supplier = Depot.objects.get(code="UY"), Supplier.objects.get(code="Brinnock")
    day = datetime.date(2026, 3, 2)
    before = ProposedLine.objects.get(product__code="F01").facts
    assert (before["horizon_days"], before["late_margin"]["days"], before["late_margin"]["orders"]) == (
        27,
        7,
        12,
    )
    sample = OrderedLine.objects.filter(supplier=supplier, is_open=False).first()
    for step in range(8):
        sample.pk = None
        sample.ordered_on = datetime.date(2024, 5, 6) + datetime.timedelta(days=7 * step)
        sample.expected_on = sample.ordered_on + datetime.timedelta(days=4)
        sample.closed_on = sample.expected_on + datetime.timedelta(days=10)
        sample.save(force_insert=True)
    order_list_propose(shelf, day, datetime.time(9))
    after = ProposedLine.objects.get(product__code="F01").facts
    # 20 orders, eight of them 10 days late: the 19th smallest is 10, three days more than the house default.
    assert (after["horizon_days"], after["late_margin"]["days"], after["late_margin"]["is_learned"]) == (
        30,
        10,
        True,
    )


@pytest.mark.parametrize("days", [0, 27, 400])
def test_looking_only_at_units_that_may_have_a_job_leaves_none_out(
    depot_run: datetime.date, days: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf, horizons = list(Depot.objects.values_list("pk", flat=True)), defaultdict(lambda: days)
    looked_at = needs.units_to_look_at(depot_run, shelf, horizons)
    found = needs.needs_of(depot_run, shelf, horizons)
    every_unit = np.array(Fitting.objects.values_list("unit", flat=True), dtype=np.int64)
    monkeypatch.setattr(needs, "units_to_look_at", lambda *_: every_unit)
    assert needs.needs_of(depot_run, shelf, horizons) == found
    assert 0 < len(looked_at) < len(set(every_unit))


def test_usage_is_the_sum_over_all_units(depot_run: datetime.date) -> None:
    own = Unit.objects.get(code="K02-TB6")
    CardFigure.objects.create(unit=own, figure="total_fill_l", value=14.0, measured_in="L", source="house")
    shelf = list(Depot.objects.values_list("pk", flat=True))
    _, candidates = needs.candidates_of(depot_run, shelf, {})
    cycles = {line.unit_id: line.cycle_days for line in DueLine.objects.filter(rule__subject="fluid")}
    usage = dict(Product.objects.values_list("pk", "top_ups_l_per_month"))
    for one in candidates:
        if one.litres is not None and cycles[one.plan.unit.pk]:
            usage[one.product_pk] += one.litres * needs.DAYS_A_MONTH / cycles[one.plan.unit.pk]
    assert len({one.litres for one in candidates if one.product_pk == own.unit_model.product_id}) > 1
    assert needs.usage_l_per_month(shelf) == pytest.approx(
        {pk: litres for pk, litres in usage.items() if litres}
    )
