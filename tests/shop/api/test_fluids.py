"""The fluid questions over the API: answers as the document promises, refusals with their place, nothing stored."""

import pytest

from shop.models import Approval, ChangeRecord, Product, Requirement, Specification
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]


@pytest.fixture
def other(north):
    """A second fluid that may go into the unit as well."""
    asked = Specification.objects.create(code="S-1", kind="maker")
    Requirement.objects.create(unit_model=north.unit.unit_model, specification=asked)
    made = Product.objects.create(code="ATF-2", name="Other gearbox fluid")
    for own in (made, north.unit.unit_model.product):
        Approval.objects.create(product=own, specification=asked, strength="approved")
    return made


def test_the_answers_fit_the_document_and_nothing_is_stored(foreman, other, document):
    before = ChangeRecord.objects.count()
    found = foreman.get("/api/v1/fewest-fluids?never=ATF-1")
    assert found.status_code == 200, found.content
    fits(document, "fewest-fluids", "get", found)
    body = found.json()
    assert body["after"] == ["ATF-2"]
    assert body["dropped"][0]["moves"][0]["new"] == "ATF-2"
    sizes = foreman.get("/api/v1/fluids/ATF-1/packs?litres_per_year=150&tank_l=1500&tank_price_per_l=5")
    fits(document, "fluids/{code}/packs", "get", sizes)
    assert sizes.json()["rows"][-1]["size_l"] == 1500
    plan = foreman.get("/api/v1/fluids/ATF-1/replace?by=ATF-2&hoses_l=1")
    assert plan.status_code == 200, plan.content
    fits(document, "fluids/{code}/replace", "get", plan)
    assert plan.json()["changing"] == [body["dropped"][0]["moves"][0]["unit_model"]]
    Product.objects.filter(code="ATF-1").update(top_ups_l_per_month=4)
    levels = foreman.get("/api/v1/shelf-levels?look=weekly&product=ATF-1")
    assert levels.status_code == 200, levels.content
    fits(document, "shelf-levels", "get", levels)
    (own,) = levels.json()
    assert own["use"]["litres_per_year"] == 48.0
    assert own["chosen"]["up_to"] - own["chosen"]["level"] == own["chosen"]["order_packs"]
    assert ChangeRecord.objects.count() == before


@pytest.mark.parametrize(
    ("address", "name"),
    [
        ("fewest-fluids?weakest=any", "weakest"),
        ("fewest-fluids?never=NONE", "never"),
        ("fewest-fluids?keeping_share=2", "keeping_share"),
        ("fluids/ATF-1/packs?labour_per_h=-1", "labour_per_h"),
        ("fluids/ATF-1/packs?tank_l=1500", "tank_price_per_l"),
        ("fluids/ATF-1/packs?litres_per_year=NaN", "litres_per_year"),
        ("fluids/ATF-1/replace", "by"),
        ("fluids/ATF-1/replace?by=NONE", "by"),
        ("fluids/ATF-1/replace?by=ATF-1", "by"),
        ("fluids/ATF-1/replace?by=ATF-2&hoses_l=500", "hoses_l"),
        ("shelf-levels?look=daily", "look"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_place(foreman, other, address, name):
    answer = foreman.get(f"/api/v1/{address}")
    assert answer.status_code in (400, 422)
    assert name in {one["parameter"] for one in answer.json()["errors"]}


@pytest.mark.parametrize(
    "address", ["fluids/NONE/packs", "fluids/NONE/replace?by=ATF-1", "shelf-levels?product=NONE"]
)
def test_a_product_that_is_not_there_is_not_found(foreman, address):
    answer = foreman.get(f"/api/v1/{address}")
    assert answer.status_code == 404
    assert "There is no product “NONE”" in answer.json()["detail"]
