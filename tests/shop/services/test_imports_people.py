"""Nobody is put on the list of the daily mail without an address."""

import pytest

from shop.models import Person
from tests.shop.services.small_fleet import load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("fleet")]


@pytest.mark.parametrize(
    "people",
    [
        "sign_in,name,role,mail,gets_daily_mail\nines,Ines,foreman,,yes\n",
        "sign_in,name,role,gets_daily_mail\nines,Ines,foreman,yes\n",
        "sign_in,mail\nmara,\n",
    ],
    ids=["blank", "no such column", "address taken away"],
)
def test_daily_mail_without_an_address_is_refused_with_a_sentence(people):
    before = list(Person.objects.order_by("pk").values())
    (sentence,) = sentences(load({"people.csv": people}))
    assert "the person gets the daily mail; give an address" in sentence
    assert list(Person.objects.order_by("pk").values()) == before


def test_the_address_kept_from_before_is_enough():
    assert sentences(load({"people.csv": "sign_in,gets_daily_mail\nmara,yes\n"})) == []
