"""The fluid pages: answers, refusals beside their fields, the same in the CSV file, and nothing stored."""

import csv
import io

import pytest

from shop.models import (
    Approval,
    ChangeRecord,
    Depot,
    LastService,
    Pack,
    Product,
    Requirement,
    Specification,
    StockItem,
)
from tests.factories import PackFactory


@pytest.fixture
def other(yard):
    """A second fluid approved for the box."""
    asked = Specification.objects.create(code="S-1", kind="maker")
    Requirement.objects.create(unit_model=yard.model, specification=asked)
    made = Product.objects.create(code="F18", name="Other ATF")
    PackFactory(product=made, size_l=20, printed="20 L", price="100.00", supplier=Pack.objects.get().supplier)
    Approval.objects.create(product=yard.product, specification=asked, strength="approved")
    Approval.objects.create(
        product=made, specification=asked, strength="house", approved_by="Ines", approved_on="2025-09-08"
    )
    return made


def text(answer) -> str:
    return answer.content.decode()


def test_the_page_names_who_takes_over_and_what_is_lost(foreman, other):
    before = ChangeRecord.objects.count()
    shown = text(foreman.get("/fluids/fewest?never=F01"))
    assert "F01 can go: its 5 units" in shown
    assert "approved by this house for S-1, by Ines, dated 2025-09-08" in shown
    assert "The approval is weaker for TB6." in shown
    assert "/fluids/F01/replace?by=F18" in shown
    assert ChangeRecord.objects.count() == before


def test_no_smaller_set_is_an_answer_too(foreman, other):
    kept = text(foreman.get("/fluids/fewest?never=F18"))
    assert "1 product today; no smaller set serves every unit." in kept


def test_an_equally_small_but_cheaper_set_is_named_as_such(foreman, other):
    """20 L at 100 is 5.00 a litre, 60 L at 429 is 7.15."""
    shown = text(foreman.get("/fluids/fewest"))
    assert "no smaller set serves every unit, but another of 1 saves about" in shown


def test_the_csv_file_holds_the_same_moves(foreman, other):
    answer = foreman.get("/fluids/fewest.csv?never=F01")
    (row,) = csv.DictReader(io.StringIO(answer.getvalue().decode()))
    assert (row["product"], row["replaced_by"], row["unit_model"], row["units"]) == ("F01", "F18", "TB6", "5")
    parts = (row["product_price_saving"], row["product_stock_saving"], row["product_opened_saving"])
    assert float(row["product_saving"]) == pytest.approx(sum(map(float, parts)))


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/fluids/fewest?keep=XX", "There is no product “XX”"),
        ("/fluids/fewest?weakest=any", "Select a valid choice"),
        ("/fluids/fewest?keeping=300", "less than or equal to 100"),
        ("/fluids/F01/packs?tank_l=1500", "A tank needs both its size and its price"),
        ("/fluids/F01/packs?labour_per_h=much", "Write a number in per h"),
        ("/fluids/F01/replace?by=XX", "Select a valid choice"),
        ("/fluids/F01/replace?by=F18&hoses_l=999", "less than or equal to 50"),
    ],
)
def test_what_cannot_be_used_is_marked_beside_its_field(foreman, other, address, words):
    answer = foreman.get(address)
    assert answer.status_code == 200
    assert words in text(answer)
    assert "field-error" in text(answer)


def test_a_refused_question_gives_a_file_with_its_header_alone(foreman, other):
    assert foreman.get("/fluids/fewest.csv?keep=XX").getvalue().decode().count("\n") == 1


def test_jug_or_drum_shows_the_picture_and_each_sum(foreman, other):
    shown = text(foreman.get("/fluids/F01/packs?litres_per_year=150&tank_l=1500&tank_price_per_l=5.5"))
    assert "150 L × (7.15 + 0.5 min × 58/60 + 0.12) + 240" in shown
    assert "tank, 1500 L" in shown
    assert 'class="plot"' in shown
    assert shown.count('class="is-chosen"') == 1


def test_a_fluid_no_unit_takes_asks_for_the_litres(foreman, other):
    assert "No unit in your depots is known to use F18" in text(foreman.get("/fluids/F18/packs"))


def test_the_plan_says_which_job_takes_which_and_in_what_order(foreman, other):
    shown = text(foreman.get("/fluids/F01/replace?hoses_l=1"))
    assert "units change from F01 to F18" in shown
    assert "Order no more F01." in shown
    assert "make it the product of TB6" in shown
    assert shown.index("Get it in writing") < shown.index("First job with F18")


def test_a_job_beyond_the_years_looked_at_is_said_to_be_so(foreman, other, yard):
    slow = yard.add("K77", 1_000, per_day_km=5.0)
    LastService.objects.filter(unit=slow).update(done_on="2026-02-01")
    yard.run()
    shown = text(foreman.get("/fluids/F01/replace"))
    row = next(own for own in shown.split("<tr>") if slow.code in own)
    assert "later than the years looked at" in row


def test_the_plan_shows_what_jobs_in_a_row_save(foreman, other, yard):
    StockItem.objects.all().delete()
    assert "litres cannot be said: type the yard" in text(foreman.get("/fluids/F01/replace"))
    Depot.objects.filter(pk=yard.depot.pk).update(purge_l=0.3)
    shown = text(foreman.get("/fluids/F01/replace"))
    assert "4 jobs with the new fluid" in shown
    assert "L less to waste than with a purge for each unit" in shown
    assert "× 0.3\u00a0L instead of 4 × 0.3\u00a0L" in shown


def test_a_fluid_nothing_can_replace_says_so(foreman, yard):
    assert "No other product on record fits" in text(foreman.get("/fluids/F01/replace"))


@pytest.mark.parametrize("address", ["/fluids/none/packs", "/fluids/none/replace"])
def test_an_unknown_product_is_not_found(foreman, yard, address):
    assert foreman.get(address).status_code == 404
