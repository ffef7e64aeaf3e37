"""Codes that stand in addresses."""

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from shop.models import Depot, Product, Specification, Unit, Vehicle
from tests.shop.services.small_fleet import FLEET, load, sentences

CANNOT_STAND = ["A/7", "A\\7", "..", ".", " A7", "A7 ", "A\t7", "A\u200b7", "A\u202e7", "A\x857", "A\n"]
# RFC 3986, 2.1: all of these can stand in one part of a path, escaped where they have to be.
CAN_STAND = ["K01", "K01-TB6", "Bus 7", "7?#%&+;=", "Ü-12", "A.7", "..7"]


@pytest.mark.parametrize("code", CANNOT_STAND)
@pytest.mark.parametrize(
    ("model", "field"), [(Vehicle, "number"), (Unit, "code"), (Depot, "code"), (Product, "code")]
)
def test_a_code_that_cannot_stand_in_an_address_is_no_valid_code(model, field, code):
    with pytest.raises(ValidationError, match="write it without slash, hidden character or blank"):
        model._meta.get_field(field).run_validators(code)


@pytest.mark.parametrize("code", CAN_STAND)
def test_any_other_code_has_an_address(code):
    Unit._meta.get_field("code").run_validators(code)
    for page in ("unit", "unit_job", "vehicle"):
        assert reverse(page, args=[code])


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("file", "was", "becomes"),
    [("vehicles.csv", "K01,", "K/01,"), ("units.csv", "K01-TB6,", "K01/TB6,"), ("depots.csv", "LY,", "L/Y,"),
     ("products.csv", "F06,", "F/06,"), ("vehicles.csv", "K01,", "K\u200b01,")],
)  # fmt: skip
def test_a_file_with_such_a_code_is_refused_with_a_sentence(file, was, becomes):
    found = sentences(load(FLEET | {file: FLEET[file].replace(was, becomes, 1)}))
    assert "stands in addresses; write it without slash" in found[0]
    assert not Vehicle.objects.exists()


@pytest.mark.django_db
def test_a_specification_may_hold_a_slash_as_those_of_the_standards_do():
    # API publication 1509 writes oil categories such as “CK-4/SN” side by side, with a slash; from memory.
    assert sentences(load({"specifications.csv": "specification,kind\nCK-4/SN,open standard\n"})) == []
    assert Specification.objects.get().code == "CK-4/SN"


def test_a_page_asked_for_by_such_a_code_is_simply_not_there(client, db, django_user_model):
    client.force_login(django_user_model.objects.create(username="ines"))
    for address in ("/vehicles/K%2F01", "/units/K01%2FTB6", "/vehicles/K%2F01%00"):
        assert client.get(address).status_code == 404
