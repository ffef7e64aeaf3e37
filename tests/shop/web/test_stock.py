"""The stock pages: the five sums apart, bookings by form, goods in, batches, labels."""

import csv
import datetime
import io
import re

import pytest
from openpyxl import load_workbook

from shop.models import BulkTank, OrderedLine, Reservation, StockItem, StockMovement, StoreRoom
from tests.factories import StockItemFactory, SupplierFactory
from tests.shop.web.conftest import TODAY


def text_of(answer):
    return (
        answer.content.decode().replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")
    )


@pytest.fixture
def item(yard):
    return StockItem.objects.filter(depot__code="UY").first() or StockItemFactory(
        depot=yard.depot, product=yard.model.product, label="A1", on_shelf_l=20.0, batch="B7"
    )


def test_the_sums_stand_apart(foreman, item):
    StockItemFactory(
        depot=item.depot, product=item.product, label="Q1", on_shelf_l=5.0, is_quarantined=True, batch="B9"
    )
    page = foreman.get("/stock").content.decode()
    assert "in quarantine" in page
    assert item.label in page


def test_a_booking_by_form_is_booked_or_explained(foreman, item):
    refused = foreman.post(f"/stock/{item.pk}", {"what": "write off", "litres": "2", "note": ""})
    assert refused.status_code == 422
    assert "Say why these litres are gone" in refused.content.decode()
    done = foreman.post(
        f"/stock/{item.pk}", {"what": "write off", "litres": "2", "note": "spilt"}, follow=True
    )
    assert "2 L written off" in done.content.decode()
    movement = StockMovement.objects.get(reason="written off")
    assert (movement.litres, movement.moved_by is not None) == (-2.0, True)
    for text in ("nan", "much", "-1"):
        answer = foreman.post(f"/stock/{item.pk}", {"what": "count", "litres": text})
        assert answer.status_code == 422


def test_a_pack_tells_the_day_it_is_to_be_used_by(foreman, item):
    item.product.opened_life_months = 12
    item.product.save()
    StockItemFactory(
        depot=item.depot, product=item.product, label="Opened", on_shelf_l=5.0, use_by="2030-01-31",
        opened_on="2025-04-10",
    )  # fmt: skip
    old = StockItemFactory(
        depot=item.depot, product=item.product, label="Old", on_shelf_l=2.6, use_by="2028-11-30",
        opened_on="2025-02-20",
    )  # fmt: skip
    StockItem.objects.filter(pk=item.pk).update(use_by="2029-11-30")
    page = text_of(foreman.get("/stock"))
    assert "opened 10 Apr 2025, to be used by 10 Apr 2026" in page
    assert "opened 20 Feb 2025, was to be used by 20 Feb 2026" in page
    assert "sealed, 20 L packs, use by 30 Nov 2029" in page
    assert "past its opened life" in text_of(foreman.get(f"/stock/{old.pk}"))
    BulkTank.objects.create(code="T9", item=item, capacity_l=1500)
    StockItem.objects.filter(pk=item.pk).update(use_by=None)
    page = text_of(foreman.get("/stock"))
    assert "bulk tank" in page
    assert "1 500 L packs" not in page


def test_the_stock_goes_out_as_a_file_with_each_pack_and_the_sums(foreman, item):
    StockItemFactory(
        depot=item.depot, product=item.product, label="Q1", on_shelf_l=5.0, is_quarantined=True, batch="=B9"
    )
    rows = list(csv.DictReader(io.StringIO(foreman.get("/stock.csv").getvalue().decode())))
    assert [(row["label"], row["litres"], row["state"]) for row in rows] == [
        (item.label, f"{item.on_shelf_l}", "usable"), ("Q1", "5.0", "in quarantine"),
    ]  # fmt: skip
    assert rows[1]["batch"] == "'=B9"
    assert {
        (row["product_on_shelf_l"], row["product_quarantined_l"], row["product_free_l"]) for row in rows
    } == {(f"{item.on_shelf_l + 5.0}", "5.0", f"{item.on_shelf_l}")}
    sheet = load_workbook(io.BytesIO(foreman.get("/stock.xlsx").content)).active
    assert (sheet["A1"].value, sheet["G2"].value) == ("depot", item.on_shelf_l)


def test_a_room_is_warned_of_once_all_before_it_has_come(foreman, item):
    room = StoreRoom.objects.create(depot=item.depot, name="Oil bund", most_l=item.on_shelf_l + 50)
    room.products.add(item.product)
    for days in (1, 2):
        OrderedLine.objects.create(
            depot=item.depot, product=item.product, supplier=SupplierFactory(), litres=40,
            ordered_on=TODAY, expected_on=TODAY + datetime.timedelta(days=days),
        )  # fmt: skip
    page = text_of(foreman.get("/goods-in"))
    assert page.count("Once it has come") == 1
    assert f"Oil bund: {item.on_shelf_l + 80:g} L where {room.most_l:g} L may stand, 30 L too many." in page


def test_what_is_not_there_is_said_so(foreman, item):
    assert foreman.get("/stock/999999").status_code == 404
    assert foreman.get("/batches/none/B7").status_code == 404
    assert foreman.get("/labels/none").status_code == 404
    assert "is no day" in foreman.get("/pick-list?day=nonsense").content.decode()


def test_goods_in_warns_of_a_room_that_would_hold_too_much_before_and_after(foreman, item):
    room = StoreRoom.objects.create(depot=item.depot, name="Oil bund", most_l=item.on_shelf_l + 30)
    room.products.add(item.product)
    OrderedLine.objects.create(
        depot=item.depot, product=item.product, supplier=SupplierFactory(), litres=40,
        ordered_on=TODAY, expected_on=TODAY,
    )  # fmt: skip
    page = foreman.get("/goods-in").content.decode().replace("\N{NO-BREAK SPACE}", " ")
    assert (
        f"Once it has come, Oil bund: {item.on_shelf_l + 40:g} L where {room.most_l:g} L may stand, 10 L too many."
        in page
    )
    given = {
        "order": "", "product": item.product_id, "shelf": item.depot_id, "pack_size_l_1": "20", "count_1": "1",
        "batch_1": "B8", "use_by_1": "2031-01-31", "is_seal_whole_1": "on",
    }  # fmt: skip
    assert "too many" not in foreman.post("/goods-in", given, follow=True).content.decode()
    page = foreman.post("/goods-in", {**given, "batch_1": "B9"}, follow=True).content.decode()
    assert "10 L too many. Move some of it" in page


def test_goods_in_by_form(foreman, item):
    page = foreman.get("/goods-in").content.decode()
    assert "What came" in page
    given = {
        "order": "", "product": item.product_id, "shelf": item.depot_id, "pack_size_l_1": "20", "count_1": "2",
        "batch_1": "B8", "use_by_1": "2031-01-31", "is_seal_whole_1": "on",
    }  # fmt: skip
    assert foreman.post("/goods-in", {**given, "batch_1": ""}).status_code == 422
    assert foreman.post("/goods-in", given).status_code == 302
    assert StockItem.objects.get(batch="B8").on_shelf_l == 40.0


def test_a_scan_fills_a_row_and_books_nothing(foreman, item):
    form = {"order": "", "product": item.product_id, "shelf": item.depot_id, "is_seal_whole_1": "on"}
    code = "(01)04150000021126(3150)000020(17)310131(10)B8"
    page = text_of(foreman.post("/goods-in", form | {"code": code}))
    for name, value in (
        ("batch_1", "B8"),
        ("use_by_1", "2031-01-31"),
        ("pack_size_l_1", "20"),
        ("count_1", "1"),
    ):
        assert re.search(rf'name="{name}" value="{value}"', page), name
    filled = form | {"batch_1": "B8", "use_by_1": "2031-01-31", "pack_size_l_1": "20", "count_1": "1"}
    again = text_of(foreman.post("/goods-in", filled | {"code": code}))
    assert "Packs 1: 2 of batch B8." in again
    assert "Packs 2: 1 of batch B9." in text_of(foreman.post("/goods-in", filled | {"code": "B9"}))
    full = filled | {f"batch_{row}": f"X{row}" for row in range(1, 5)}
    refused = foreman.post("/goods-in", full | {"code": "B9"})
    assert (refused.status_code, "book these in first" in text_of(refused)) == (422, True)
    assert not StockMovement.objects.filter(reason="goods in").exists()
    assert foreman.post("/goods-in", filled).status_code == 302
    assert StockItem.objects.get(batch="B8").on_shelf_l == 20.0


def test_scanned_packs_without_a_batch_are_told_apart_by_their_use_by(foreman, item):
    form = {"product": item.product_id, "shelf": item.depot_id}
    one = {"use_by_1": "2031-01-31", "count_1": "1"}
    again = text_of(foreman.post("/goods-in", form | one | {"code": "(01)04150000021126(17)310131"}))
    assert "Packs 1: 2 of batch (none in the code)." in again
    other = text_of(foreman.post("/goods-in", form | one | {"code": "(01)04150000021126(17)320131"}))
    assert "Packs 2: 1 of batch (none in the code)." in other
    refused = foreman.post("/goods-in", form | one | {"code": "(01)04150000021126"})
    assert (refused.status_code, "neither batch nor use-by" in text_of(refused)) == (422, True)


def test_an_expected_delivery_begins_with_the_packs_ordered(foreman, item):
    line = OrderedLine.objects.create(
        depot=item.depot, product=item.product, supplier=SupplierFactory(), litres=40, ordered_on=TODAY,
        expected_on=TODAY, packs=[{"count": 2, "printed": "20 L", "size_l": 20.0, "price": "84.00"}],
    )  # fmt: skip
    page = text_of(foreman.get(f"/goods-in?order={line.pk}"))
    assert re.search(r'name="pack_size_l_1" value="20"', page)
    assert re.search(r'name="count_1" value="2"', page)
    line.received_l = 20
    line.save()
    assert not re.search(r'name="count_1" value="2"', text_of(foreman.get(f"/goods-in?order={line.pk}")))


def test_a_batch_is_set_aside_by_form_and_the_label_warns(foreman, item):
    address = f"/batches/{item.product.code}/{item.batch}"
    assert "Units that had it" in foreman.get(address).content.decode()
    assert foreman.post(f"{address}/set-aside", {"what": "set aside", "note": ""}).status_code == 422
    assert foreman.post(f"{address}/set-aside", {"what": "set aside", "note": "notice"}).status_code == 302
    item.refresh_from_db()
    assert item.is_quarantined
    assert item.product.code in foreman.get(f"/labels/{item.product.code}").content.decode()


def test_fluid_is_reserved_and_freed_on_the_unit_s_page(foreman, yard, item):
    unit = yard.add("K50", 57_000)
    refused = foreman.post(f"/units/{unit.code}/reserve", {"litres": "none"}, follow=True)
    assert "Write a number in L" in refused.content.decode()
    done = foreman.post(f"/units/{unit.code}/reserve", {"litres": "4.5"}, follow=True).content.decode()
    assert f"4.5 L of {item.product.code} are reserved for {unit.code}." in done
    own = Reservation.objects.get()
    address = f"/units/{unit.code}/reserved/{own.pk}/free"
    freed = foreman.post(address, {"note": "turned away"}, follow=True).content.decode()
    assert "are free again" in freed
    assert foreman.post(address, {"note": "once more"}).status_code == 404


def test_a_shelf_is_counted_on_one_sheet(foreman, sign_in, item):
    other = StockItemFactory(depot=item.depot, product=item.product, label="Z9", on_shelf_l=5.0)
    page = text_of(foreman.get("/stock/count"))
    assert page.index(item.label) < page.index("Z9")
    assert "20 L" not in page.split("count-sheet")[1].split("</table>")[0].replace("Counted, L", "")
    books = {f"books_{own.pk}": own.on_shelf_l for own in (item, other)}
    assert "Nothing is counted yet" in text_of(foreman.post("/stock/count", books))
    asked = books | {f"litres_{item.pk}": "19.5", f"litres_{other.pk}": "5"}
    done = text_of(foreman.post("/stock/count", asked | {"note": "spilt in the week"}, follow=True))
    assert f"2 packs counted; booked: {item.product.code} “{item.label}” -0.50 L." in done
    movement = StockMovement.objects.get(reason="counted")
    assert (movement.litres, movement.note, movement.moved_by is not None) == (
        -0.5,
        "spilt in the week",
        True,
    )
    # The books say 19.5 L by now: a sheet made before is refused, and nothing else on it is booked.
    stale = foreman.post("/stock/count", asked | {f"litres_{other.pk}": "4"})
    assert stale.status_code == 422
    assert "moved from 20 to 19.5 L since" in text_of(stale)
    assert StockMovement.objects.filter(reason="counted").count() == 1
    BulkTank.objects.create(code="T9", item=other, capacity_l=1500)
    assert "Z9" not in text_of(foreman.get("/stock/count"))
    assert sign_in("apprentice").get("/stock/count").status_code == 403
