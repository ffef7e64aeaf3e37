"""Severity over the API."""

import pytest

from shop.models import SeverityFactor

TOWING = {"reason": "towing", "factor": 1.3, "source": "house", "applies_from": "2026-02-01"}


def test_a_factor_is_added_once_for_a_key_and_ended(foreman):
    for _ in range(3):
        answer = foreman.post(
            "/api/v1/units/K01-TB6/severity", TOWING, format="json", HTTP_IDEMPOTENCY_KEY='"towing-1"'
        )
        assert answer.status_code == 201
    factor = SeverityFactor.objects.get()
    assert answer.json()["severity"] == 1.3
    assert answer.json()["basis"] == "duty"
    ended = foreman.post(
        f"/api/v1/severity-factors/{factor.pk}/end", {"ends_on": "2026-03-01"}, format="json"
    )
    assert ended.status_code == 200
    assert foreman.get("/api/v1/units/K01-TB6/severity").json()["severity"] == 1.0


def test_hours_propose_and_are_taken_up(foreman):
    for month in ("2026-01-01", "2026-02-01"):
        answer = foreman.post(
            "/api/v1/units/K01-TB6/temperature-hours",
            {
                "month": month,
                "bands": [{"temp_c": 85, "hours": 60}, {"temp_c": 96.1, "hours": 60}],
                "unseen_h": 0,
            },
            format="json",
        )
        assert answer.status_code == 200, answer.json()
    # Half the hours at 1, half 11.1 degrees hotter at 2.
    assert answer.json()["proposed"] == "use"
    assert answer.json()["proposed_severity"] == pytest.approx(1.15)
    taken = foreman.post("/api/v1/units/K01-TB6/measured-severity", format="json")
    assert taken.status_code == 200
    assert taken.json()["basis"] == "measured"
    assert foreman.post("/api/v1/units/K01-TB6/measured-severity", format="json").status_code == 409
