"""Samples, tools and learned figures over the API: own depots only, and a key does the work once."""

import pytest

from shop.models import CardFigure, CardProposal, FluidSample, Job, MeasuringTool
from shop.services.learning import learn_refit
from tests.shop.api.conftest import TODAY
from tests.shop.api.test_schema import document, fits

__all__ = ["document"]

SAMPLE = {
    "job": "K01-X1", "taken_on": "2026-03-09", "element": "Ca", "before_mg_kg": 110, "new_mg_kg": 260,
    "after_mg_kg": 225, "laboratory_ref": "L-1",
}  # fmt: skip
TOOL = {"code": "T1", "depot": "NORTH", "kind": "tray", "limit": 5}


def post(client, address: str, body, key: str | None = None):
    headers = {"Idempotency-Key": f'"{key}"'} if key else {}
    return client.post(f"/api/v1/{address}", body, format="json", headers=headers)


@pytest.fixture
def job(north) -> Job:
    return Job.objects.create(
        code="K01-X1", unit=north.unit, vehicle=north.vehicle, state="handed back", done_on="2026-03-01",
        method="overnight drain + cooler-line exchange", in_l=10.1, in_temp_c=20, fresh_share=0.77,
    )  # fmt: skip


@pytest.fixture
def proposal(north, south) -> CardProposal:
    for place, litres in enumerate((3.92, 3.87, 4.01, 3.95)):
        where = south if place == 3 else north
        Job.objects.create(
            code=f"D{place}", unit=where.unit, vehicle=where.vehicle, state="handed back", method="drain-and-refill",
            done_on=f"2025-06-0{place + 1}", out_kg=litres * 0.85,
        )  # fmt: skip
    learn_refit(TODAY)
    return CardProposal.objects.get()


def test_a_sample_is_recorded_once_and_fits_the_document(foreman, job, document):
    first = post(foreman, "samples", SAMPLE, "k1")
    assert first.status_code == 201
    fits(document, "samples", "post", first)
    row = first.json()
    # Reference calculation: (225 − 110)/(260 − 110).
    assert row["fresh_share"] == pytest.approx(0.767, abs=0.0005)
    assert (row["computed_share"], row["state"]) == (0.77, "recorded")
    assert post(foreman, "samples", SAMPLE, "k1").json() == row
    assert post(foreman, "samples", SAMPLE).json()["id"] == row["id"]
    assert FluidSample.objects.count() == 1
    listed = foreman.get("/api/v1/samples?unit=K01-TB6&state=recorded")
    fits(document, "samples", "get", listed)
    assert [one["id"] for one in listed.json()["results"]] == [row["id"]]


def test_a_sample_that_cannot_be_right_names_its_field(foreman, job):
    answer = post(foreman, "samples", SAMPLE | {"after_mg_kg": 200})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "#/after_mg_kg"
    assert "pure push" in answer.json()["detail"]
    assert post(foreman, "samples", SAMPLE | {"job": "K90-J1"}).status_code == 404


def test_a_sample_is_accepted_once(foreman, job, document):
    pk = post(foreman, "samples", SAMPLE).json()["id"]
    done = post(foreman, f"samples/{pk}/answer", {"answer": "accept"}, "k2")
    fits(document, "samples/{id}/answer", "post", done)
    assert (done.json()["state"], done.json()["computed_share"]) == ("accepted", 0.77)
    assert post(foreman, f"samples/{pk}/answer", {"answer": "accept"}, "k2").json() == done.json()
    assert post(foreman, f"samples/{pk}/answer", {"answer": "decline"}).status_code == 409
    job.refresh_from_db()
    assert job.fresh_share == pytest.approx(0.767, abs=0.0005)


def test_proposals_are_listed_with_the_jobs_of_own_depots(foreman, proposal, document):
    listed = foreman.get("/api/v1/proposals?state=proposed")
    fits(document, "proposals", "get", listed)
    (row,) = listed.json()["results"]
    assert (row["unit_model"], row["tool"], row["figure"], row["n"]) == ("TB6", None, "quick_drain_l", 4)
    assert {one["depot"] for one in row["evidence"]["used"]} == {"NORTH"}
    assert row["evidence"]["used_elsewhere"] == 1
    assert "The next card expects" in row["evidence"]["next"]
    assert "K90" not in str(row)


@pytest.mark.parametrize(
    ("answer", "state", "source"), [("accept", "accepted", "learned"), ("decline", "declined", "house")]
)
def test_a_proposal_is_decided_once(foreman, proposal, document, answer, state, source):
    address = f"proposals/{proposal.pk}/answer"
    done = post(foreman, address, {"answer": answer}, "k3")
    fits(document, "proposals/{id}/answer", "post", done)
    assert done.json()["state"] == state
    assert post(foreman, address, {"answer": answer}, "k3").json() == done.json()
    assert post(foreman, address, {"answer": answer}).status_code == 409
    assert CardFigure.objects.get(figure="quick_drain_l").source == source


@pytest.mark.parametrize("role", ["technician", "stores", "fleet", "apprentice"])
def test_only_the_foreman_decides(signed_in, proposal, role):
    assert post(signed_in(role), f"proposals/{proposal.pk}/answer", {"answer": "accept"}).status_code == 403


def test_a_tool_stands_as_given_and_the_same_again_changes_nothing(foreman, south, document):
    first = post(foreman, "tools", TOOL, "k4")
    assert first.status_code == 200
    fits(document, "tools", "post", first)
    assert post(foreman, "tools", TOOL).json() == first.json()
    changed = post(foreman, "tools", TOOL | {"reading_error_share": 0.04})
    assert (changed.json()["error_source"], changed.json()["error_since"]) == ("house", "2026-03-09")
    assert MeasuringTool.objects.count() == 1
    fits(document, "tools/{code}", "get", foreman.get("/api/v1/tools/T1"))
    fits(document, "tools", "get", foreman.get("/api/v1/tools?kind=tray"))
    MeasuringTool.objects.create(code="T9", depot=south.depot, kind="tray")
    assert foreman.get("/api/v1/tools/T9").status_code == 404
    assert post(foreman, "tools", TOOL | {"code": "T9"}).status_code == 422
    assert post(foreman, "tools", TOOL | {"kind": "scale", "reading_error_share": 0.1}).status_code == 422
