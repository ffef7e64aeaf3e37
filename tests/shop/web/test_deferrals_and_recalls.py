"""The pages where a line is put off and where recalls are entered and closed."""

import re

import pytest
from django.test import Client

from shop.models import Depot, Hold, Job, Person, Recall, RecallClosing
from tests.factories import PersonFactory
from tests.shop.web.conftest import TODAY

DEFERRAL = "/units/K01-TB6/deferral"
ASKED = {"subject": "fluid", "until": "2026-04-01", "reason": "no spare van", "signed_by": "Ines"}
NOTICE = {
    "code": "R1", "title": "pump seal", "kind": "stop-drive", "unit_models": "TB6", "vehicles": "K01, K13",
    "from_day": TODAY.isoformat(), "source": "maker's notice",
}  # fmt: skip


def test_it_is_looked_at_before_it_is_signed(foreman):
    looked = foreman.post(DEFERRAL, ASKED | {"do": "look"})
    page = looked.content.decode()
    assert (looked.status_code, Hold.objects.count()) == (200, 0)
    assert "On 1 Apr 2026 it will be at 102.5 % of its interval, 2.5 % over: due." in page
    assert "Sign it" in page
    assert foreman.post(DEFERRAL, ASKED | {"do": "sign"}).status_code == 302
    hold = Hold.objects.get()
    assert "no spare van, signed Ines" in foreman.get("/").content.decode()
    listed = foreman.get("/deferrals").content.decode()
    assert "no spare van" in listed
    assert "Signed Ines" in listed
    assert "on hold" in foreman.get("/units/K01-TB6").content.decode()
    for why, refusal in (("back", "Say in 5 characters or more"), ("x" * 201, "at most 200 characters")):
        refused = foreman.post(f"/deferrals/{hold.pk}/end", {"why": why}, follow=True)
        assert refusal in refused.content.decode()
        assert Hold.objects.get().ended_on is None
    foreman.post(f"/deferrals/{hold.pk}/end", {"why": "the van is back"})
    assert "the van is back" in foreman.get("/deferrals").content.decode()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"until": ""}, "Give the day it comes back"),
        ({"until": "2026-03-02"}, "on a day after today"),
        ({"reason": "late"}, "Say in 5 characters or more why it is put off"),
        ({"signed_by": ""}, "Who signs?"),
        ({"until": "2026-05-20"}, "Somebody named has to answer for it"),
        ({"until": "", "until_total": "90000"}, "The meter is there already"),
    ],
)
def test_what_is_missing_stands_beside_its_field(foreman, changed, words):
    answer = foreman.post(DEFERRAL, ASKED | {"do": "sign"} | changed)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Hold.objects.exists()


def test_a_recall_is_entered_seen_and_closed(foreman):
    assert foreman.post("/recalls", NOTICE).status_code == 302
    board = foreman.get("/").content.decode()
    assert "K13 must not move" in board
    assert "until the recall is closed" in board
    assert "R1: pump seal" in board
    page = foreman.get("/recalls").content.decode()
    assert "never complete" in page
    assert "must not move" in foreman.get("/vehicles/K13").content.decode()
    closed = foreman.post(
        "/recalls/R1/vehicles/K13/close",
        {"closed_on": TODAY.isoformat(), "closed_by": "Bea", "how": "seal replaced"},
    )
    assert closed.status_code == 302
    assert RecallClosing.objects.get().closed_by == "Bea"
    assert "K13 must not move" not in foreman.get("/").content.decode()
    assert "seal replaced" in foreman.get("/recalls").content.decode()


def test_each_vehicle_is_closed_on_the_day_of_its_own_depot(yard, other_yard):
    """It is 4:30 UTC on 2 March: at Hawaii, ten hours behind, still the first."""
    Depot.objects.filter(pk=other_yard.depot.pk).update(time_zone="Pacific/Honolulu")
    of_both = Client()
    of_both.force_login(PersonFactory(role="foreman", depots=[yard.depot, other_yard.depot]))
    of_both.post("/recalls", NOTICE | {"vehicles": "K01, Z01", "from_day": "2026-02-02"})
    form = r'vehicles/(\w+)/close".*?name="closed_on" value="([^"]*)"'
    days = dict(re.findall(form, of_both.get("/recalls").content.decode(), re.DOTALL))
    assert days == {"K01": "2026-03-02", "Z01": "2026-03-01"}


def test_a_recall_that_cannot_be_is_refused(foreman):
    answer = foreman.post("/recalls", NOTICE | {"vehicles": "K99"})
    assert answer.status_code == 422
    assert "There is no vehicle K99 in your depots" in answer.content.decode()
    foreman.post("/recalls", NOTICE)
    told = foreman.post("/recalls/R1/vehicles/K13/close", {"closed_on": "x"}, follow=True).content.decode()
    assert "Not closed" in told
    assert not RecallClosing.objects.exists()


def test_the_longest_sign_in_name_fits_where_it_is_offered_and_kept(yard):
    who = "n" * Person._meta.get_field("username").max_length
    client = Client()
    client.force_login(PersonFactory(username=who, name="", role="foreman", depots=[yard.depot]))
    assert f'value="{who}"' in client.get(DEFERRAL).content.decode()
    client.post(DEFERRAL, ASKED | {"do": "sign", "signed_by": who})
    client.post(f"/deferrals/{Hold.objects.get().pk}/end", {"why": "the van is back"})
    client.post("/recalls", NOTICE)
    closing = {"closed_on": TODAY.isoformat(), "closed_by": who, "how": "seal replaced"}
    client.post("/recalls/R1/vehicles/K13/close", closing)
    hold, closed = Hold.objects.get(kind="deferral"), RecallClosing.objects.get()
    assert (hold.signed_by, hold.ended_by, closed.closed_by) == (who, who, who)
    hold.full_clean()
    closed.full_clean()
    assert f'value="{who}"' in client.get("/units/K01-TB6/job").content.decode()
    for name in ("done_by", "checked_by"):
        assert Job._meta.get_field(name).max_length >= len(who)


def test_roles_and_depots(sign_in, foreman, other_yard):
    for role in ("fleet", "stores", "technician", "apprentice"):
        assert sign_in(role).get(DEFERRAL).status_code == 403
    assert sign_in("apprentice").post("/recalls", NOTICE).status_code == 403
    assert foreman.get("/units/Z01-TB6/deferral").status_code == 404
    foreman.post("/recalls", NOTICE | {"vehicles": ""})
    assert Recall.objects.exists()
    assert "Z01" not in foreman.get("/recalls").content.decode()
    assert foreman.post("/recalls/R1/vehicles/Z01/close", {}).status_code == 404
    # The other depot's vehicle is held too, from its next daily run.
    other_yard.run()
    assert other_yard.line("Z01").must_not_move
