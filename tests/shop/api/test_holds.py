"""Deferrals and recalls over the API."""

from shop.models import Hold, Recall, RecallClosing
from tests.shop.api.conftest import TODAY

NOTICE = {
    "code": "R1", "title": "pump seal", "source": "maker's notice", "kind": "hold and combine",
    "from_day": TODAY.isoformat(), "unit_models": ["TB6"],
}  # fmt: skip


def test_a_line_is_looked_at_put_off_and_taken_back(foreman):
    asked = {"until": "2026-04-20", "reason": "no spare van", "signed_by": "Ines"}
    looked = foreman.post("/api/v1/units/K01-TB6/deferrals", asked | {"only_look": True}, format="json")
    assert looked.status_code == 200, looked.json()
    assert looked.json()["comes_back_on"] == "2026-04-20"
    assert not Hold.objects.exists()
    named = asked | {"answers_for": "Mara"}
    for _ in range(3):
        signed = foreman.post(
            "/api/v1/units/K01-TB6/deferrals", named, format="json", HTTP_IDEMPOTENCY_KEY='"off-1"'
        )
        assert signed.status_code == 201, signed.json()
    hold = Hold.objects.get()
    assert signed.json()["share_then"] == hold.share_then
    ended = foreman.post(f"/api/v1/deferrals/{hold.pk}/end", {"why": "the van is back"}, format="json")
    assert ended.json()["ended_why"] == "the van is back"
    assert len(foreman.get("/api/v1/deferrals").json()["results"]) == 1
    assert (
        foreman.post("/api/v1/units/K01-TB6/deferrals", {"until": "2020-01-01"}, format="json").status_code
        == 422
    )


def test_a_recall_is_entered_once_and_closed(foreman, south):
    for _ in range(2):
        entered = foreman.post("/api/v1/recalls", NOTICE, format="json", HTTP_IDEMPOTENCY_KEY='"r1"')
        assert entered.status_code == 201, entered.json()
    assert Recall.objects.count() == 1
    assert entered.json()["open"] == [{"vehicle": "K01", "units": ["K01-TB6"]}]
    held = foreman.get("/api/v1/vehicles/K01").json()["holds"]
    assert [(hold["kind"], hold["recall"], hold["unit"]) for hold in held] == [("recall", "R1", "K01-TB6")]
    done = {"closed_on": TODAY.isoformat(), "closed_by": "Bea", "how": "seal replaced"}
    closed = foreman.post("/api/v1/recalls/R1/vehicles/K01/close", done, format="json")
    assert closed.status_code == 200, closed.json()
    assert (closed.json()["open"], RecallClosing.objects.count()) == ([], 1)
    assert foreman.get("/api/v1/vehicles/K01").json()["holds"] == []
    assert foreman.post("/api/v1/recalls/R1/vehicles/K90/close", done, format="json").status_code == 404
