"""Nothing is readable without signing in, a person sees own depots only, and a role is refused honestly."""

import pytest
from django.urls import reverse

from shop.models import Reading
from tests.factories import ReadingFactory

PAGES = ["/", "/due", "/due.csv", "/orders", "/orders.csv", "/readings", "/units/K01-TB6", "/vehicles/K01",
         "/units/K01-TB6/severity", "/severity", "/deferrals", "/recalls",
         "/what-if", "/catch-up", "/catch-up.csv", "/fluids/fewest", "/fluids/fewest.csv", "/fluids/F01/packs",
         "/fluids/F01/replace", "/wastes", "/wastes/balance", "/wastes/collections.csv", "/tanks"]  # fmt: skip


@pytest.mark.parametrize(
    "address", [*PAGES, "/units/K01-TB6/job", "/order-drafts/UY/S1", "/orders/UY-2026-001", "/suppliers/S1"]
)
def test_every_page_asks_to_sign_in(client, yard, address):
    answer = client.get(address)
    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("sign_in"))


@pytest.mark.parametrize("role", ["fleet", "stores", "technician", "foreman", "apprentice"])
@pytest.mark.parametrize("address", PAGES)
def test_every_role_may_see(sign_in, role, address):
    assert sign_in(role).get(address).status_code == 200


@pytest.mark.parametrize("address", ["/units/Z01-TB6", "/units/Z01-TB6/job", "/vehicles/Z01", "/units/none"])
def test_other_depots_are_not_there(foreman, other_yard, address):
    answer = foreman.get(address)
    assert answer.status_code == 404
    assert "in your depots" in answer.content.decode()


@pytest.mark.parametrize("address", ["/", "/due?show=everything", "/due.csv?show=everything", "/readings"])
def test_lists_leave_other_depots_out(foreman, other_yard, address):
    ReadingFactory(
        meter__vehicle=other_yard.line("Z01").vehicle, meter__kind="engine hours", meter__shown_in="h",
        status=Reading.Status.ASKED, true_total=None, question="Z01?",
    )  # fmt: skip
    assert "Z01" not in foreman.get(address).getvalue().decode()


def test_a_reading_of_another_depot_cannot_be_answered(foreman, other_yard):
    reading = ReadingFactory(
        meter__vehicle=other_yard.line("Z01").vehicle, meter__kind="engine hours", meter__shown_in="h",
        status=Reading.Status.ASKED, true_total=None, question="Z01?",
    )  # fmt: skip
    assert foreman.post(f"/readings/{reading.pk}/answer", {"answer": "as typed"}).status_code == 404
    reading.refresh_from_db()
    assert reading.status == Reading.Status.ASKED


@pytest.mark.parametrize("role", ["fleet", "stores", "apprentice"])
def test_roles_that_cannot_close_are_told_who_can(sign_in, role):
    client = sign_in(role)
    for answer in (client.get("/units/K01-TB6/job"), client.post("/units/K01-TB6/job", {})):
        assert answer.status_code == 403
        assert "A technician or the foreman can" in answer.content.decode()
    assert "Record a finished job" not in client.get("/units/K01-TB6").content.decode()


@pytest.mark.parametrize("role", ["technician", "foreman"])
def test_roles_that_close_find_the_button(sign_in, role):
    assert "Record a finished job" in sign_in(role).get("/units/K01-TB6").content.decode()


def test_signing_in_and_out(client, yard, sign_in):
    person = yard.depot.people.create(username="bea", role="technician")
    person.set_password("plain-long-words")
    person.save()
    refused = client.post(reverse("sign_in"), {"username": "bea", "password": "wrong"})
    assert "do not belong together" in refused.content.decode()
    taken = client.post(
        reverse("sign_in") + "?next=/due", {"username": "bea", "password": "plain-long-words"}
    )
    assert (taken.status_code, taken["Location"]) == (302, "/due")
    assert client.get("/").status_code == 200
    assert client.get(reverse("sign_out")).status_code == 405
    client.post(reverse("sign_out"))
    assert client.get("/").status_code == 302


def test_an_unknown_address_says_so_without_giving_the_addresses_away(foreman):
    answer = foreman.get("/nothing/here")
    assert answer.status_code == 404
    assert "There is nothing at this address" in answer.content.decode()
    assert "tried" not in answer.content.decode()


def test_pages_are_sent_under_a_policy_that_allows_no_inline_code(foreman):
    policy = foreman.get("/")["Content-Security-Policy"]
    assert "script-src 'self'" in policy
    assert "style-src 'self'" in policy
    assert "unsafe" not in policy
