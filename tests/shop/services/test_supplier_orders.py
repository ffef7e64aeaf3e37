"""An order's life: drafted, placed once, received in parts, chased, cancelled. Rules of the house, no source."""

import datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from shop import clock
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import (
    ChangeRecord,
    Depot,
    OrderedLine,
    OrderMail,
    Pack,
    Person,
    ProposedLine,
    StockMovement,
    Supplier,
    SupplierOrder,
)
from shop.selectors.order_draft import order_draft
from shop.selectors.shelf import on_order
from shop.selectors.suppliers import punctuality_by_supplier
from shop.services.goods_in import PacksIn, goods_in, order_give_up
from shop.services.supplier_orders import (
    Cancelled,
    OrderAsked,
    Placed,
    order_cancel,
    order_chase,
    order_mail_again,
    order_place,
)
from tests.factories import DepotFactory, PackFactory, PersonFactory, ProductFactory, SupplierFactory

MONDAY, FRIDAY = datetime.date(2026, 3, 2), datetime.date(2026, 3, 6)
MAIL = "orders@brinnock.example"


def at(day: int, hour: int = 9, month: int = 3) -> None:
    clock.pin(datetime.datetime(2026, month, day, hour, 0, tzinfo=datetime.UTC))


@pytest.fixture
def shelf(db: None) -> Depot:
    at(2)
    yield DepotFactory()
    clock.pin(None)


@pytest.fixture
def petra(shelf: Depot) -> Person:
    return PersonFactory(username="petra", role=Person.Role.STORES, depots=[shelf])


@pytest.fixture
def supplier(shelf: Depot) -> Supplier:
    return SupplierFactory(
        code="Brinnock", cut_off=datetime.time(14), minimum_l=40, free_freight_from=400, mail=MAIL
    )


@pytest.fixture
def sixty(supplier: Supplier) -> Pack:
    return PackFactory(supplier=supplier, product=ProductFactory(code="F01"), size_l=60, price=Decimal(429))


@pytest.fixture
def twenty(supplier: Supplier) -> Pack:
    return PackFactory(supplier=supplier, product=ProductFactory(code="F15"), size_l=20, price=Decimal(84))


def place(person: Person, shelf: Depot, packs: list[tuple[Pack, int]], **more: Any) -> Placed:
    supplier = packs[0][0].supplier
    told = {"draft": order_draft(shelf, supplier).number, "mail_to": MAIL} | more
    return order_place(person, shelf, supplier, OrderAsked(packs=packs, **told))


def test_an_order_keeps_its_packs_and_prices_as_they_were(
    shelf: Depot, petra: Person, sixty: Pack, twenty: Pack
) -> None:
    order = place(petra, shelf, [(sixty, 1), (twenty, 2)], note="Back gate").order
    Pack.objects.update(price=999)
    lines = {line.product.code: line for line in order.lines.all()}
    assert (order.number, order.state, order.expected_on) == ("UY-2026-001", "placed", FRIDAY)
    assert {code: (line.litres, line.cost) for code, line in lines.items()} == {
        "F01": (60.0, Decimal("429.00")),
        "F15": (40.0, Decimal("168.00")),
    }
    assert lines["F15"].packs == [{"count": 2, "printed": "20 L", "size_l": 20.0, "price": "84.00"}]
    assert OrderMail.objects.get().to_address == MAIL
    change = ChangeRecord.objects.get(key="UY-2026-001")
    assert (change.action, change.changed_by, change.after["litres"]) == ("added", petra, 100.0)
    assert on_order(shelf.pk, MONDAY)[sixty.product_id].in_time_l == 60.0


def test_numbers_follow_each_other_and_begin_anew_each_year(
    shelf: Depot, petra: Person, sixty: Pack, twenty: Pack
) -> None:
    other = DepotFactory(code="ZY")
    numbers = [place(petra, depot, [(sixty, 1)]).order.number for depot in (shelf, shelf, other)]
    clock.pin(datetime.datetime(2026, 12, 31, 23, 30, tzinfo=datetime.UTC))  # 00:30 on 1 January in Berlin
    numbers.append(place(petra, shelf, [(twenty, 2)]).order.number)
    assert numbers == ["UY-2026-001", "UY-2026-002", "ZY-2026-001", "UY-2027-001"]


def test_after_the_cut_off_the_next_day_counts(shelf: Depot, petra: Person, sixty: Pack) -> None:
    at(2, hour=13)  # 14:00 in Berlin
    assert place(petra, shelf, [(sixty, 1)]).order.expected_on == datetime.date(2026, 3, 9)


def test_a_depot_without_a_shelf_orders_for_the_one_that_serves_it(
    shelf: Depot, petra: Person, sixty: Pack
) -> None:
    outpost = DepotFactory(code="LY", stores_at=shelf)
    order = order_place(petra, outpost, sixty.supplier, OrderAsked(0, [(sixty, 1)], mail_to=MAIL)).order
    assert order.depot == shelf


def test_the_same_draft_twice_is_one_order(shelf: Depot, petra: Person, sixty: Pack) -> None:
    ines = PersonFactory(role=Person.Role.FOREMAN, depots=[shelf])
    first = place(petra, shelf, [(sixty, 1)], draft=0)
    again = place(ines, shelf, [(sixty, 1)], draft=0)
    assert (first.is_new, again.is_new, again.order) == (True, False, first.order)
    with pytest.raises(ConflictError, match=r"Petra placed UY-2026-001 .* nothing was ordered twice"):
        place(ines, shelf, [(sixty, 2)], draft=0)
    with pytest.raises(ConflictError, match="This draft is not known"):
        place(ines, shelf, [(sixty, 1)], draft=5)
    assert SupplierOrder.objects.count() == OrderMail.objects.count() == OrderedLine.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "field", "said"),
    [
        ({"packs": 0}, "packs", "Nothing is ordered"),
        ({"packs": 10_000}, "packs", "give 0 to 9999"),
        ({"packs": -1}, "packs", "give 0 to 9999"),
        ({"mail_to": ""}, "told", "say who took the order"),
        ({"mail_to": "nobody"}, "mail_to", "is no mail address"),
        ({"expected_on": datetime.date(2026, 3, 1)}, "expected_on", "from 2026-03-02 on"),
    ],
)
def test_what_cannot_be_ordered_is_refused_by_field(
    shelf: Depot, petra: Person, sixty: Pack, change: dict[str, Any], field: str, said: str
) -> None:
    with pytest.raises(InputError, match=said) as refused:
        place(petra, shelf, [(sixty, change.pop("packs", 1))], **change)
    assert field in refused.value.fields
    assert not SupplierOrder.objects.exists()
    assert not OrderMail.objects.exists()


def test_below_the_minimum_takes_a_reason(shelf: Depot, petra: Person, twenty: Pack) -> None:
    with pytest.raises(InputError, match=r"20\.0 L below the minimum of 40 L") as refused:
        place(petra, shelf, [(twenty, 1)])
    assert set(refused.value.fields) == {"below_minimum_reason"}
    order = place(petra, shelf, [(twenty, 1)], below_minimum_reason="they said yes on the phone").order
    assert order.below_minimum_reason == "they said yes on the phone"
    enough = place(petra, shelf, [(twenty, 2)], below_minimum_reason="left in the form").order
    assert enough.below_minimum_reason == ""


def test_another_suppliers_pack_one_without_price_and_one_named_twice_are_refused(
    shelf: Depot, petra: Person, sixty: Pack
) -> None:
    foreign = PackFactory(product=sixty.product)
    free = PackFactory(supplier=sixty.supplier, size_l=1, price=0)
    for packs, said in (
        ([(sixty, 1), (foreign, 1)], "does not sell"),
        ([(sixty, 1), (free, 1)], "has no price"),
        ([(sixty, 1), (sixty, 1)], "named twice"),
    ):
        with pytest.raises(InputError, match=said):
            place(petra, shelf, packs)


def test_an_order_by_word_of_mouth_has_no_mail(shelf: Depot, petra: Person, sixty: Pack) -> None:
    order = place(petra, shelf, [(sixty, 1)], mail_to="", told="Oda, on the phone").order
    assert not OrderMail.objects.exists()
    assert order.told == "Oda, on the phone"
    with pytest.raises(ConflictError, match="is none"):
        order_mail_again(petra, order)


def test_roles_that_do_not_plan_do_not_order(shelf: Depot, petra: Person, sixty: Pack) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    tech = PersonFactory(role=Person.Role.TECHNICIAN, depots=[shelf])
    for act in (
        lambda: place(tech, shelf, [(sixty, 1)]),
        lambda: order_cancel(tech, order, "why"),
        lambda: order_chase(tech, order, FRIDAY, "Oda"),
        lambda: order_mail_again(tech, order),
    ):
        with pytest.raises(NotAllowed):
            act()


def receive(petra: Person, line: OrderedLine, size_l: float, count: int = 1) -> None:
    goods_in(petra, line.depot, line.product, [PacksIn(size_l, count, "B-1", place="A1")], line)


def test_parts_come_until_all_has_come(shelf: Depot, petra: Person, sixty: Pack, twenty: Pack) -> None:
    order = place(petra, shelf, [(sixty, 1), (twenty, 2)]).order
    atf, oil = order.lines.get(product=sixty.product), order.lines.get(product=twenty.product)
    states = []
    for line, size_l in ((oil, 20), (atf, 60), (oil, 20)):
        receive(petra, line, size_l)
        order.refresh_from_db()
        states.append(order.state)
    assert states == ["part received", "part received", "closed"]
    assert order.closed_on == MONDAY
    assert StockMovement.objects.filter(delivery__order=order, reason="goods in").count() == 3
    assert on_order(shelf.pk, MONDAY)[sixty.product_id].in_time_l == 0.0


def test_the_rest_is_given_up_with_a_reason(shelf: Depot, petra: Person, twenty: Pack) -> None:
    order = place(petra, shelf, [(twenty, 2)]).order
    line = order.lines.get()
    receive(petra, line, 20)
    with pytest.raises(InputError, match="Say why"):
        order_give_up(petra, line, " ")
    order_give_up(petra, line, "out of stock")
    order.refresh_from_db()
    assert order.state == "closed"
    seen = punctuality_by_supplier([order.supplier_id])[order.supplier_id]
    assert (seen.orders, seen.on_time) == (1, 0)


def test_more_than_ordered_is_named(shelf: Depot, petra: Person, twenty: Pack) -> None:
    line = place(petra, shelf, [(twenty, 2)]).order.lines.get()
    receive(petra, line, 20, count=3)
    line.refresh_from_db()
    assert (line.over_l, line.outstanding_l, line.is_open) == (20.0, 0.0, False)


def test_an_order_is_cancelled_only_before_anything_came(
    shelf: Depot, petra: Person, sixty: Pack, twenty: Pack
) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    with pytest.raises(InputError, match="Say why"):
        order_cancel(petra, order, "")
    assert order_cancel(petra, order, "ordered twice") == Cancelled(is_withdrawn=True)
    assert not OrderMail.objects.exists()
    order.refresh_from_db()
    assert (order.state, order.cancel_reason, order.closed_on) == ("cancelled", "ordered twice", MONDAY)
    assert on_order(shelf.pk, MONDAY) == {}
    with pytest.raises(ConflictError, match="is cancelled already"):
        order_cancel(petra, order, "again")
    with pytest.raises(ConflictError, match="closed"):
        receive(petra, order.lines.get(), 60)
    begun = place(petra, shelf, [(twenty, 2)]).order
    receive(petra, begun.lines.get(), 20)
    with pytest.raises(ConflictError, match="Part of UY-2026-002 has come"):
        order_cancel(petra, begun, "too late")
    assert punctuality_by_supplier([order.supplier_id])[order.supplier_id].orders == 0


@pytest.mark.parametrize("state", ["sending", "sent", "unsure", "failed"])
def test_a_mail_that_may_be_out_stays_and_another_calls_the_order_off_once(
    shelf: Depot, petra: Person, sixty: Pack, state: str
) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    OrderMail.objects.update(state=state)
    assert order_cancel(petra, order, "ordered twice") == Cancelled(is_withdrawn=False, mail_to=MAIL)
    order.refresh_from_db()
    assert (order.mail.state, order.cancel_mail.state, order.cancel_mail.to_address) == (
        state,
        "queued",
        MAIL,
    )
    with pytest.raises(ConflictError, match="is cancelled already"):
        order_cancel(petra, order, "again")
    with pytest.raises(IntegrityError), transaction.atomic():
        OrderMail.objects.create(order=order, kind="cancellation", to_address=MAIL, queued_at=clock.now())


def test_a_mail_waiting_to_be_tried_again_is_withdrawn_and_called_off_all_the_same(
    shelf: Depot, petra: Person, sixty: Pack
) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    OrderMail.objects.update(claimed_at=clock.now(), attempts=1)
    assert order_cancel(petra, order, "ordered twice") == Cancelled(is_withdrawn=False, mail_to=MAIL)
    assert [mail.kind for mail in OrderMail.objects.all()] == ["cancellation"]


def test_an_order_by_word_of_mouth_is_called_off_at_the_suppliers_own_address_if_he_has_one(
    shelf: Depot, petra: Person, sixty: Pack
) -> None:
    for address in ("", "office@brinnock.example"):
        Supplier.objects.update(mail=address)
        order = place(petra, shelf, [(sixty, 1)], mail_to="", told="Oda").order
        assert order_cancel(petra, order, "ordered twice") == Cancelled(is_withdrawn=False, mail_to=address)
        assert [mail.to_address for mail in order.mails.all()] == ([address] if address else [])


def test_of_a_cancelled_order_only_what_calls_it_off_is_sent_again(
    shelf: Depot, petra: Person, sixty: Pack
) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    OrderMail.objects.update(state="unsure")
    order_cancel(petra, order, "ordered twice")
    order.refresh_from_db()
    with pytest.raises(ConflictError, match="is queued"):
        order_mail_again(petra, order)
    OrderMail.objects.filter(kind="cancellation").update(state="failed", attempts=5)
    order_mail_again(petra, order)
    assert {mail.kind: mail.state for mail in OrderMail.objects.all()} == {
        "order": "unsure",
        "cancellation": "queued",
    }


def test_a_late_order_gets_a_new_day_and_keeps_the_first(shelf: Depot, petra: Person, sixty: Pack) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    at(9)
    today, product = datetime.date(2026, 3, 9), sixty.product_id
    assert on_order(shelf.pk, today)[product].in_time_l == 0.0
    assert "expected on 2026-03-06" in on_order(shelf.pk, today)[product].late[0]
    for day, note, field in ((datetime.date(2026, 3, 8), "Oda", "promised_on"), (today, " ", "note")):
        with pytest.raises(InputError) as refused:
            order_chase(petra, order, day, note)
        assert field in refused.value.fields
    order_chase(petra, order, datetime.date(2026, 3, 11), "Oda on the phone")
    line = order.lines.get()
    assert (line.expected_on, line.promised_on, line.coming_on) == (
        FRIDAY,
        datetime.date(2026, 3, 11),
        datetime.date(2026, 3, 11),
    )
    assert on_order(shelf.pk, today)[product].in_time_l == 60.0
    at(11)
    receive(petra, line, 60)
    seen = punctuality_by_supplier([order.supplier_id])[order.supplier_id]
    assert (seen.orders, seen.on_time, seen.median_lead) == (1, 0, 7.0)
    with pytest.raises(ConflictError, match="nothing of it is to come"):
        order_chase(petra, order, datetime.date(2026, 3, 12), "Oda")


def test_a_mail_is_put_back_only_if_it_failed_or_is_unsure(shelf: Depot, petra: Person, sixty: Pack) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    for state in ("queued", "sending", "sent"):
        OrderMail.objects.update(state=state)
        with pytest.raises(ConflictError, match=f"is {state}"):
            order_mail_again(petra, order)
    OrderMail.objects.update(state="unsure", attempts=3, error="gone")
    order_mail_again(petra, order)
    mail = OrderMail.objects.get()
    assert (mail.state, mail.attempts, mail.error) == ("queued", 0, "")


def test_the_draft_begins_with_what_the_list_proposes(
    shelf: Depot, supplier: Supplier, sixty: Pack, twenty: Pack
) -> None:
    for pack, when, count in ((sixty, "order today", 1), (twenty, "can wait", 2)):
        ProposedLine.objects.create(
            depot=shelf, product=pack.product, supplier=supplier, when=when, need_l=1, free_l=0, net_l=1,
            order_l=pack.size_l * count, facts={"packs": [{"count": count, "printed": pack.printed}]},
            sentence="why", worked_out_for=MONDAY,
        )  # fmt: skip
    other = PackFactory(supplier=supplier, product=ProductFactory(code="F99"))
    draft = order_draft(shelf, supplier)
    assert {own.pack: own.count for own in draft.packs} == {sixty: 1, twenty: 0, other: 0}
    assert [own.product.code for own in draft.more] == ["F99"]
    assert (draft.hour.arrives_on, draft.hour.later_on) == (FRIDAY, datetime.date(2026, 3, 9))


@pytest.mark.parametrize(
    "change",
    [
        {"mail_to": "", "told": ""},
        {"sequence": 0},
        {"state": "cancelled"},
        {"state": "closed"},
        {"closed_on": MONDAY},
    ],
)
def test_the_database_refuses_an_order_that_contradicts_itself(
    shelf: Depot, petra: Person, sixty: Pack, change: dict[str, Any]
) -> None:
    order = place(petra, shelf, [(sixty, 1)]).order
    with pytest.raises(IntegrityError), transaction.atomic():
        SupplierOrder.objects.filter(pk=order.pk).update(**change)
