"""The pages of an order: draft, placing, the order itself, late deliveries, the supplier."""

import datetime

import pytest

from shop import clock
from shop.models import OrderedLine, OrderMail, ProposedLine, StoreRoom, Supplier, SupplierOrder
from shop.services.goods_in import PacksIn, goods_in
from tests.factories import PackFactory, PersonFactory, ProductFactory
from tests.shop.web.conftest import TODAY

FRIDAY = datetime.date(2026, 3, 6)


@pytest.fixture
def supplier(yard):
    own = Supplier.objects.get()
    Supplier.objects.update(
        code="Brinnock", mail="orders@brinnock.example", phone="01632 960 114", cut_off="14:00", minimum_l=40
    )
    own.refresh_from_db()
    yard.run()
    return own


@pytest.fixture
def stores(sign_in):
    return sign_in("stores")


def draft_of(supplier):
    return f"/order-drafts/UY/{supplier.code}"


def given(supplier, count=1, **more):
    pack = supplier.packs.get()
    told = {
        "draft": SupplierOrder.objects.filter(supplier=supplier).count(), "how": "mail",
        "mail_to": "orders@brinnock.example", "told": "", "note": "", "below_minimum_reason": "", "expected_on": "",
        f"count_{pack.pk}": count, "what": "place",
    }  # fmt: skip
    return told | more


@pytest.fixture
def order(stores, supplier):
    stores.post(draft_of(supplier), given(supplier))
    return SupplierOrder.objects.get()


def text_of(answer):
    return (
        answer.content.decode().replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")
    )


def test_the_order_list_leads_to_the_draft(stores, supplier):
    page = text_of(stores.get("/orders"))
    assert "Place an order with Brinnock Oils" in page
    assert draft_of(supplier) in page
    draft = text_of(stores.get(draft_of(supplier)))
    assert "Before 14:00 today for delivery on Fri 6 Mar; after it, Mon 9 Mar" in draft
    assert 'name="draft" value="0"' in draft


def test_a_draft_is_added_up_and_placed_once(stores, supplier):
    added = stores.post(draft_of(supplier), given(supplier, 2, what="check"))
    assert added.status_code == 200
    assert "858.00 EUR" in text_of(added)
    assert not SupplierOrder.objects.exists()
    asked = given(supplier, 2)
    for _ in range(2):
        answer = stores.post(draft_of(supplier), asked)
        assert (answer.status_code, answer["Location"]) == (302, "/orders/UY-2026-001")
    page = text_of(stores.get("/orders/UY-2026-001"))
    assert "UY-2026-001 had been placed already, once" in page
    assert OrderedLine.objects.get().litres == 120


def test_the_placed_litres_count_as_coming_at_once(stores, order, yard):
    line = ProposedLine.objects.get()
    assert (line.facts["on_order_l"], line.when) == (60, "nothing to order")
    page = text_of(stores.get("/orders"))
    assert "Place an order with" not in page
    assert "UY-2026-001" in page


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"count": 0}, "Nothing is ordered"),
        ({"how": "by word"}, "say who took the order"),
        ({"mail_to": "nobody"}, "is no mail address"),
        ({"expected_on": "2026-03-01"}, "from 2026-03-02 on"),
        ({"count": "x"}, "whole number"),
        ({"draft": 7}, "This draft is not known"),
    ],
)
def test_a_draft_that_cannot_be_placed_says_why_and_keeps_what_was_typed(stores, supplier, change, said):
    count = change.pop("count", 1)
    answer = stores.post(draft_of(supplier), given(supplier, count, note="Back gate", **change))
    assert answer.status_code == 422
    assert said in text_of(answer)
    assert 'value="Back gate"' in text_of(answer)
    assert not SupplierOrder.objects.exists()


def test_below_the_minimum_is_refused_unless_a_reason_is_noted(stores, supplier):
    Supplier.objects.update(minimum_l=100)
    refused = stores.post(draft_of(supplier), given(supplier))
    assert "40.0 L below the minimum of 100 L" in text_of(refused)
    stores.post(draft_of(supplier), given(supplier, below_minimum_reason="Oda agreed"))
    assert "Oda agreed" in text_of(stores.get("/orders/UY-2026-001"))


def test_a_draft_somebody_else_placed_otherwise_is_not_placed_again(stores, foreman, supplier):
    mine = given(supplier, 2)
    foreman.post(draft_of(supplier), given(supplier))
    answer = stores.post(draft_of(supplier), mine)
    assert answer.status_code == 422
    assert "nothing was ordered twice" in text_of(answer)
    assert SupplierOrder.objects.count() == 1


def test_the_order_shows_lines_mail_and_files(stores, order):
    page = text_of(stores.get("/orders/UY-2026-001"))
    for words in (
        "1 × 60 L at 429.00",
        "Fri 6 Mar",
        "waiting</strong> to orders@brinnock.example",
        "Placed by Stores",
    ):
        assert words in page
    OrderMail.objects.update(state="unsure")
    assert "Nobody knows whether it arrived" in text_of(stores.get("/orders/UY-2026-001"))
    stores.post("/orders/UY-2026-001/mail-again")
    assert OrderMail.objects.get().state == "queued"
    pdf = stores.get("/orders/UY-2026-001/order.pdf")
    assert (pdf["Content-Type"], pdf.content[:5]) == ("application/pdf", b"%PDF-")
    sheet = stores.get("/orders/UY-2026-001/order.csv")
    assert "UY-2026-001,2026-03-02" in sheet.content.decode()
    assert "attachment" in sheet["Content-Disposition"]


def test_jobs_behind_an_order_wait_in_words_until_it_comes(stores, order, yard):
    due = text_of(stores.get("/due"))
    assert "waiting for fluid, expected 6 Mar" in due
    page = text_of(stores.get("/orders/UY-2026-001"))
    waiting = [number for number in ("K01", "K02", "K08") if f"{number}-TB6" in page]
    assert waiting
    for number in waiting:
        for address in (f"/units/{number}-TB6", f"/vehicles/{number}"):
            assert "waiting for fluid, expected 6 Mar" in text_of(stores.get(address))
    line = order.lines.get()
    person = PersonFactory(role="stores", depots=[yard.depot])
    goods_in(person, yard.depot, line.product, [PacksIn(60, 1, "B-9")], line)
    assert "waiting for fluid" not in text_of(stores.get("/due"))


def test_a_late_order_is_named_where_people_look_and_chased(stores, order):
    clock.pin(datetime.datetime(2026, 3, 9, 8, 0, tzinfo=datetime.UTC))
    for address in ("/orders", "/"):
        page = text_of(stores.get(address))
        assert "3 days late" in page
        assert "on 01632 960 114" in page
    assert "waiting for fluid, was expected 6 Mar" in text_of(stores.get("/due"))
    refused = stores.post("/orders/UY-2026-001/chase", {"promised_on": "2026-03-08", "note": "Oda"})
    assert refused.status_code == 422
    stores.post("/orders/UY-2026-001/chase", {"promised_on": "2026-03-11", "note": "Oda on the phone"})
    assert "days late" not in text_of(stores.get("/orders"))
    page = text_of(stores.get("/orders/UY-2026-001"))
    assert "Wed 11 Mar, first Fri 6 Mar" in page
    assert "New day: Wed 11 Mar by Stores: Oda on the phone" in page
    assert "waiting for fluid, expected 11 Mar" in text_of(stores.get("/due"))
    assert "expected Wed 11 Mar" in text_of(stores.get("/suppliers/Brinnock"))


def test_goods_in_from_the_order_page_names_what_is_over(stores, order, yard):
    line = order.lines.get()
    assert f"/goods-in?order={line.pk}" in text_of(stores.get("/orders/UY-2026-001"))
    body = {
        "order": line.pk, "product": line.product_id, "shelf": yard.depot.pk, "pack_size_l_1": "60", "count_1": "2",
        "batch_1": "B-9", "is_seal_whole_1": "on",
    }  # fmt: skip
    page = text_of(stores.post("/goods-in", body, follow=True))
    assert "60 L more than ordered came" in page
    shown = text_of(stores.get("/orders/UY-2026-001"))
    assert "60 L more of F01 came than was ordered" in shown
    assert "Closed" in shown


def test_a_line_of_which_nothing_came_is_given_up_once_another_has_come(stores, order, yard):
    first = order.lines.get()
    never = OrderedLine.objects.create(
        order=order, depot=yard.depot, supplier=order.supplier, product=ProductFactory(code="F05"), litres=20, cost=99,
        ordered_on=order.ordered_on, expected_on=order.expected_on, packs=[],
    )  # fmt: skip
    address = f"/orders/UY-2026-001/lines/{never.pk}/give-up"
    assert address not in text_of(stores.get("/orders/UY-2026-001"))
    person = PersonFactory(role="stores", depots=[yard.depot])
    goods_in(person, yard.depot, first.product, [PacksIn(60, 1, "B-9")], first)
    assert address in text_of(stores.get("/orders/UY-2026-001"))
    assert stores.post(address, {"note": "discontinued"}).status_code == 302
    order.refresh_from_db()
    assert order.state == "closed"


def test_the_rest_of_a_line_is_given_up_on_the_page(stores, order, yard):
    line = order.lines.get()
    person = PersonFactory(role="stores", depots=[yard.depot])
    goods_in(person, yard.depot, line.product, [PacksIn(20, 1, "B-9")], line)
    address = f"/orders/UY-2026-001/lines/{line.pk}/give-up"
    assert address in text_of(stores.get("/orders/UY-2026-001"))
    assert stores.post(address, {"note": ""}).status_code == 422
    assert stores.post(address, {"note": "out of stock"}).status_code == 302
    assert stores.post("/orders/UY-2026-001/lines/999/give-up", {"note": "x"}).status_code == 404
    order.refresh_from_db()
    assert order.state == "closed"
    assert "Gave up 40 L of F01 by Stores: out of stock" in text_of(stores.get("/orders/UY-2026-001"))


def test_a_mail_that_only_became_a_file_is_called_one(stores, order, supplier, settings):
    for folder, is_said in (("mail", True), (None, False)):
        settings.MAIL_FOLDER = folder
        for address in ("/orders/UY-2026-001", draft_of(supplier)):
            assert ("No mail server is set up" in text_of(stores.get(address))) is is_said


def test_a_draft_warns_of_a_room_that_would_hold_too_much(stores, supplier, order, yard):
    room = StoreRoom.objects.create(depot=yard.depot, name="Drum store", most_l=100)
    room.products.add(yard.product)
    words = "With what is on the way, Drum store: 140 L where 100 L may stand, 40 L too many."
    # 20 L stand there, 60 L are on the way and 60 L more are asked for.
    assert words in text_of(stores.post(draft_of(supplier), given(supplier, 1, what="check")))
    assert words not in text_of(stores.post(draft_of(supplier), given(supplier, 0, what="check")))


def test_packs_chosen_beyond_the_list_stay_in_sight(stores, supplier):
    asked = given(supplier, 1, what="check")
    other = PackFactory(
        supplier=supplier, product=ProductFactory(code="F15"), size_l=20, printed="20 L", price="84"
    )
    for count, is_open in ((0, False), (1, True)):
        page = text_of(stores.post(draft_of(supplier), asked | {f"count_{other.pk}": count}))
        assert ("<details open>" in page) is is_open


def test_an_order_of_which_nothing_came_says_so(stores, order):
    stores.post("/orders/UY-2026-001/cancel", {"reason": "twice"})
    page = text_of(stores.get("/orders/UY-2026-001"))
    assert page.split("What came</h2>")[1].split("</section>")[0].count("nothing") == 1


def test_cancelling_says_who_is_to_be_told(stores, order):
    assert stores.post("/orders/UY-2026-001/cancel", {"reason": ""}).status_code == 422
    page = text_of(stores.post("/orders/UY-2026-001/cancel", {"reason": "twice"}, follow=True))
    assert "No mail had gone out" in page
    assert "Withdrawn before it went out" in page
    again = stores.post("/orders/UY-2026-001/cancel", {"reason": "twice"})
    assert "is cancelled already" in text_of(again)


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        (None, "A mail to orders@brinnock.example tells Brinnock Oils"),
        ("mail", "is only a file in the mail folder: tell Brinnock Oils yourself"),
    ],
)
def test_cancelling_an_order_that_was_mailed_tells_the_supplier(stores, order, settings, folder, words):
    OrderMail.objects.update(state="sent", sent_at=clock.now())
    settings.MAIL_FOLDER = folder
    page = text_of(stores.post("/orders/UY-2026-001/cancel", {"reason": "twice"}, follow=True))
    assert words in page
    assert "That it is cancelled" in page
    assert page.count("to orders@brinnock.example") == 3


def test_nobody_but_a_person_tells_a_supplier_without_an_address(stores, order):
    OrderMail.objects.all().delete()
    SupplierOrder.objects.update(mail_to="", told="Oda")
    Supplier.objects.update(mail="")
    page = text_of(stores.post("/orders/UY-2026-001/cancel", {"reason": "twice"}, follow=True))
    assert "Tell Brinnock Oils: nobody else does" in page
    assert "No mail says that it is cancelled: tell Brinnock Oils" in page


def test_the_supplier_page_says_what_it_cannot_say_and_then_how_punctual(stores, supplier, yard):
    assert "Cannot say yet" in text_of(stores.get("/suppliers/Brinnock"))
    for step in range(4):
        OrderedLine.objects.create(
            depot=yard.depot, supplier=supplier, product=yard.product, litres=60, received_l=60, is_open=False,
            ordered_on=TODAY - datetime.timedelta(days=20 + step), expected_on=TODAY - datetime.timedelta(days=15),
            closed_on=TODAY - datetime.timedelta(days=15 - (step == 0)),
        )  # fmt: skip
    page = text_of(stores.get("/suppliers/Brinnock"))
    # 3 of 4: Wilson 80 % range 43 to 92 %, the mirror of 1 of 4 (7.8 to 56.7 %).
    for words in ("75 %", "43 % – 92 %", "3 of 4 orders came whole", "the house default until 20 orders"):
        assert words in page
    assert "3 of 4 on time, 75 % (43 % – 92 %); lead" in text_of(stores.get(draft_of(supplier)))
    stores.post(draft_of(supplier), given(supplier))
    assert "3 of 4 on time, 75 % (43 % – 92 %); lead" in text_of(stores.get("/orders/UY-2026-001"))


@pytest.mark.parametrize("role", ["technician", "apprentice"])
def test_roles_that_do_not_plan_see_orders_and_place_none(sign_in, order, supplier, role):
    client = sign_in(role)
    page = text_of(client.get("/orders/UY-2026-001"))
    assert "Cancel the order" not in page
    assert "Place an order with" not in text_of(client.get("/orders"))
    for address in (draft_of(supplier), "/orders/UY-2026-001/cancel", "/orders/UY-2026-001/chase"):
        assert client.post(address, {}).status_code == 403
    assert client.get(draft_of(supplier)).status_code == 403


def test_another_depots_orders_are_as_unknown_as_none(stores, order, other_yard):
    SupplierOrder.objects.update(depot=other_yard.depot)
    for address in ("/orders/UY-2026-001", "/orders/none", "/order-drafts/ZY/Brinnock", "/order-drafts/UY/none",
                    "/suppliers/none", "/orders/UY-2026-001/order.pdf"):  # fmt: skip
        assert stores.get(address).status_code == 404
