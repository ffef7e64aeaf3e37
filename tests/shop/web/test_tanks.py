"""The tank pages: dips, issues, deliveries, corrections, set-up."""

import pytest

from shop.models import BulkTank, Person, StockItem, TankDip, Unit
from shop.services.job_report import JobReport
from shop.services.jobs import job_close
from shop.services.tanks import TankReport, tank_write
from tests.shop.web.conftest import TODAY


@pytest.fixture
def item(yard):
    return StockItem.objects.get(depot=yard.depot)


@pytest.fixture
def tank(yard, foreman, item):
    boss = Person.objects.get(role="foreman")
    return tank_write(boss, item, TankReport("T1", 1500.0, "by bay B5", ((0.0, 0.0), (1000.0, 1500.0))))


def book(item):
    return StockItem.objects.get(pk=item.pk).on_shelf_l


def test_a_stock_item_is_made_a_tank_with_its_dip_table(foreman, item):
    assert f'href="/stock/{item.pk}/tank"' in foreman.get(f"/stock/{item.pk}").content.decode()
    given = {"code": "T1", "name": "", "capacity_l": "1500", "marks": "0 0\n600 750\n\n1200 1500\n"}
    assert foreman.post(f"/stock/{item.pk}/tank", given | {"marks": "0 0\nhalf full"}).status_code == 422
    assert foreman.post(f"/stock/{item.pk}/tank", given).status_code == 302
    made = BulkTank.objects.get()
    assert list(made.marks.values_list("mm", "litres")) == [(0, 0), (600, 750), (1200, 1500)]
    assert "600 750" in foreman.get(f"/stock/{item.pk}/tank").content.decode()
    assert 'href="/tanks"' in foreman.get("/stock").content.decode()


def test_a_dip_stands_beside_the_books_and_does_not_move_them(foreman, tank, item):
    answer = foreman.post("/tanks/T1/dip", {"mm": "12", "temp_c": "15"}, follow=True)
    assert "Dip noted: 18 L, the books hold 20 L" in answer.content.decode()
    assert book(item) == 20
    assert "−10.00" in foreman.get("/tanks/T1").content.decode()
    assert "−10.00" in foreman.get("/tanks").content.decode()


@pytest.mark.parametrize(
    ("end", "given", "said"),
    [
        ("dip", {}, "either the litres or the millimetres"),
        ("dip", {"mm": "1001"}, "outside the dip table"),
        ("dip", {"litres": "20", "temp_c": "151"}, "150"),
        ("issue", {"litres": "5"}, "required"),
        ("issue", {"litres": "21", "note": "K22"}, "holds 20.00 L"),
        ("delivery", {"litres": "1481", "batch": "B"}, "cannot take"),
        ("delivery", {"litres": "10"}, "required"),
    ],
)
def test_what_cannot_be_is_refused_beside_the_field(foreman, tank, item, end, given, said):
    answer = foreman.post(f"/tanks/T1/{end}", given)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert (book(item), TankDip.objects.count()) == (20, 0)


def test_issues_deliveries_and_a_correction_move_the_books(foreman, tank, item):
    foreman.post("/tanks/T1/delivery", {"litres": "880", "batch": "EO-1"})
    foreman.post("/tanks/T1/issue", {"litres": "26.6", "note": "K22 top-up"})
    assert book(item) == pytest.approx(873.4)
    foreman.post("/tanks/T1/dip", {"litres": "860", "temp_c": "15"})
    dip = TankDip.objects.get()
    assert "Take it as counted" in foreman.get("/tanks/T1").content.decode()
    assert foreman.post(f"/tanks/T1/dips/{dip.pk}/correction", {"note": ""}).status_code == 422
    foreman.post(f"/tanks/T1/dips/{dip.pk}/correction", {"note": "meter checked"})
    assert book(item) == pytest.approx(860)
    page = foreman.get("/tanks/T1").content.decode()
    assert "taken as a count of −13.4" in page
    assert "Take it as counted" not in page
    assert foreman.post(f"/tanks/T1/dips/{dip.pk + 1}/correction", {"note": "x"}).status_code == 404


@pytest.mark.parametrize(
    ("role", "end", "status"),
    [
        ("technician", "delivery", 403), ("apprentice", "dip", 422), ("technician", "issue", 422),
        ("stores", "delivery", 422), ("apprentice", "dips/1/correction", 403),
    ],
)  # fmt: skip
def test_roles_decide_who_books(sign_in, tank, role, end, status):
    assert sign_in(role).post(f"/tanks/T1/{end}", {}).status_code == status


def test_only_the_foreman_sets_tanks_up(sign_in, item):
    assert sign_in("stores").get(f"/stock/{item.pk}/tank").status_code == 403


def test_another_shelfs_tank_is_as_unknown_as_none(foreman, other_yard):
    item = StockItem.objects.get(depot=other_yard.depot)
    BulkTank.objects.create(code="T9", item=item, capacity_l=500)
    assert foreman.get("/tanks/T9").status_code == 404
    assert foreman.post("/tanks/T9/dip", {"litres": "5"}).status_code == 404
    assert foreman.get(f"/stock/{item.pk}/tank").status_code == 404
    assert "T9" not in foreman.get("/tanks").content.decode()


def test_a_job_draws_from_the_tank_and_leaves_it_one_tank(foreman, tank, item, yard):
    report = JobReport(
        method="drain-and-refill", done_on=TODAY, out_l=3.6, out_temp_c=20.0, in_l=3.6, in_temp_c=20.0,
        level_temp_c=80.0, level_reading_mm=0.0, leak_checked=True, road_tested=True, meter_text="100000",
        done_by="Bea",
    )  # fmt: skip
    job_close(Person.objects.get(role="foreman"), Unit.objects.get(code="K02-TB6"), report)
    assert StockItem.objects.filter(product=item.product).count() == 1
    assert book(item) == pytest.approx(16.4)
    foreman.post("/tanks/T1/dip", {"litres": "16.4"})
    assert TankDip.objects.get().book_l == pytest.approx(16.4)
