"""Who may read and write: sign-in first, own depots only, roles for writing."""

import pytest
from rest_framework.test import APIClient

from shop.models import Person

READ = [
    "vehicles",
    "vehicles/K01",
    "vehicles/K01/meters",
    "units",
    "units/K01-TB6",
    "units/K01-TB6/exchange-plan",
    "units/K01-TB6/jobs",
    "units/K01-TB6/severity",
    "readings",
    "deferrals",
    "recalls",
    "due-list",
    "fewest-fluids",
    "fluids/ATF-1/packs?litres_per_year=100",
    "shelf-levels",
    "order-list",
    "order-list.csv",
    "order-plan",
    "order-drafts/NORTH/S1",
    "supplier-orders",
    "suppliers/S1",
    "stock",
    "stock-movements",
    "batches/ATF-1/B7",
    "pick-lists",
    "reservations",
    "daily-runs",
    "daily-runs/NORTH/2026-03-09",
    "proposals",
    "samples",
    "tools",
    "waste-containers",
    "waste-movements",
    "waste-collections",
    "waste-balance",
    "tanks",
    "tank-dips",
    "openapi.json",
    "docs",
]
WRITE = [
    "readings",
    "readings/1/move",
    "vehicles/K01/meter-changes",
    "meter-changes/1/withdraw",
    "readings/1/answer",
    "units/K01-TB6/jobs",
    "units/K01-TB6/severity",
    "units/K01-TB6/temperature-hours",
    "units/K01-TB6/measured-severity",
    "severity-factors/1/end",
    "units/K01-TB6/deferrals",
    "deferrals/1/end",
    "recalls",
    "recalls/R1/vehicles/K01/close",
    "daily-runs",
    "stock-movements",
    "goods-in",
    "reservations",
    "reservations/1/free",
    "supplier-orders",
    "supplier-orders/NORTH-2026-001/cancel",
    "supplier-orders/NORTH-2026-001/chase",
    "supplier-orders/NORTH-2026-001/give-up",
    "supplier-orders/NORTH-2026-001/mail-again",
    "batches/ATF-1/B7",
    "proposals/1/answer",
    "samples",
    "samples/1/answer",
    "tools",
    "waste-containers",
    "waste-movements",
    "waste-collections",
    "waste-collections/1/done",
    "waste-collections/1/cancel",
    "tanks",
    "tanks/T1/issue",
    "tanks/T1/delivery",
    "tank-dips",
    "tank-dips/1/correction",
]
OTHER_DEPOT = [
    "vehicles/K90",
    "vehicles/K90/meters",
    "units/K90-TB6",
    "units/K90-TB6/exchange-plan",
    "units/K90-TB6/jobs",
    "units/K90-TB6/severity",
    "daily-runs/SOUTH/2026-03-09",
]


@pytest.mark.parametrize("address", [*READ, "no/such/address"])
def test_nothing_is_read_without_sign_in(north, client, address):
    answer = client.get(f"/api/v1/{address}")
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"] == "Token"


@pytest.mark.parametrize("address", WRITE)
def test_nothing_is_written_without_sign_in(north, client, address):
    assert client.post(f"/api/v1/{address}", {}, content_type="application/json").status_code == 401


@pytest.mark.parametrize("address", READ)
def test_every_endpoint_answers_who_is_signed_in(foreman, address):
    assert foreman.get(f"/api/v1/{address}").status_code == 200


@pytest.mark.parametrize("address", OTHER_DEPOT)
def test_another_depots_rows_are_as_unknown_as_none_at_all(foreman, south, address):
    answer = foreman.get(f"/api/v1/{address}")
    assert answer.status_code == 404
    assert "in your depots" in answer.json()["detail"]
    nowhere = foreman.get(f"/api/v1/{address.replace('K90', 'K00').replace('SOUTH', 'NOWHERE')}")
    assert nowhere.status_code == 404
    assert nowhere.json()["title"] == answer.json()["title"]


@pytest.mark.parametrize("address", ["vehicles", "units", "readings", "due-list", "order-list", "daily-runs"])
def test_lists_hold_own_depots_only(foreman, south, address):
    rows = foreman.get(f"/api/v1/{address}").json()["results"]
    assert rows
    assert "K90" not in str(rows)
    assert "SOUTH" not in str(rows)


def test_another_depots_reading_cannot_be_answered(foreman, south):
    answer = foreman.post(
        f"/api/v1/readings/{south.reading.pk}/answer", {"answer": "not a reading"}, format="json"
    )
    assert answer.status_code == 404


def test_an_administrator_sees_every_depot(north, south):
    client = APIClient()
    client.force_login(Person.objects.create_superuser("root"))
    numbers = [row["number"] for row in client.get("/api/v1/vehicles").json()["results"]]
    assert numbers == ["K01", "K90"]


@pytest.mark.parametrize(
    ("address", "allowed"),
    [
        ("readings", {"fleet", "stores", "technician", "foreman", "apprentice"}),
        ("units/K01-TB6/jobs", {"technician", "foreman"}),
        ("daily-runs", {"fleet", "stores", "foreman"}),
        ("supplier-orders", {"fleet", "stores", "foreman"}),
        ("samples", {"technician", "foreman", "apprentice"}),
        ("tools", {"foreman"}),
        ("waste-containers", {"foreman"}),
        ("waste-movements", {"fleet", "stores", "technician", "foreman", "apprentice"}),
        ("waste-collections", {"fleet", "stores", "foreman"}),
        ("tanks", {"foreman"}),
        ("tank-dips", {"fleet", "stores", "technician", "foreman", "apprentice"}),
    ],
)
@pytest.mark.parametrize("role", ["fleet", "stores", "technician", "foreman", "apprentice"])
def test_roles_decide_who_writes(signed_in, address, allowed, role):
    answer = signed_in(role).post(f"/api/v1/{address}", {"nothing": 1}, format="json")
    if role in allowed:
        assert answer.status_code in {400, 422}
    else:
        assert answer.status_code == 403
        assert "takes someone who may" in answer.json()["detail"]
        assert answer["Content-Type"] == "application/problem+json"


@pytest.fixture
def credentials(foreman):
    foreman.person.set_password("a long secret 7")
    foreman.person.save()
    return {"username": foreman.person.username, "password": "a long secret 7"}


def test_a_token_signs_a_program_in(credentials):
    program = APIClient()
    token = program.post("/api/v1/token", credentials, format="json").json()["token"]
    program.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    assert program.get("/api/v1/vehicles").status_code == 200
    program.credentials(HTTP_AUTHORIZATION=f"Token {token}x")
    assert program.get("/api/v1/vehicles").status_code == 401


def test_wrong_credentials_give_no_token(credentials):
    answer = APIClient().post("/api/v1/token", credentials | {"password": "wrong"}, format="json")
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == "Token"
    assert "check both" in answer.json()["detail"]


def test_guessing_passwords_is_slowed_down(db):
    asked = {"username": "nobody", "password": "wrong"}
    program = APIClient()
    answers = [program.post("/api/v1/token", asked, format="json") for _ in range(11)]
    assert [answer.status_code for answer in answers] == [401] * 10 + [429]
    assert 1 <= int(answers[-1]["Retry-After"]) <= 60
    assert answers[-1]["Content-Type"] == "application/problem+json"


def test_health_is_open_and_says_what_answers(db, client):
    answer = client.get("/api/v1/health")
    assert answer.status_code == 200
    assert answer.json() == {"status": "ok", "database": "ok", "broker": "none needed"}


def test_health_fails_when_the_queue_is_away(db, client, settings, monkeypatch):
    settings.CELERY_TASK_ALWAYS_EAGER = False

    def away(self, *args, **kwargs):
        raise OSError("no queue")

    monkeypatch.setattr("kombu.connection.Connection.ensure_connection", away)
    answer = client.get("/api/v1/health")
    assert answer.status_code == 503
    assert answer.json() == {"status": "fails", "database": "ok", "broker": "fails"}


def test_the_docs_page_keeps_to_the_content_policy(foreman):
    page = foreman.get("/api/v1/docs")
    policy = page["Content-Security-Policy"]
    assert "script-src 'self'" in policy
    assert "unsafe-inline" not in policy
    assert "<script>" not in page.content.decode()
    script = foreman.get("/api/v1/docs?script=")
    assert script.status_code == 200
    assert "/api/v1/openapi.json" in script.content.decode()
