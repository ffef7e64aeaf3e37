"""A unit's severity page: factors with their days and people, temperature hours, who may change it."""

import datetime

import pytest

from shop.models import ChangeRecord, DueLine, SeverityFactor, TemperatureHours, Unit
from tests.lines import told_line
from tests.shop.web.conftest import TODAY

PAGE = "/units/K01-TB6/severity"
TOWING = {"condition": "towing", "factor": "", "applies_from": "2026-01-05", "source": "foreman, hill rounds"}


def test_a_factor_typed_counts_from_its_day_and_says_who(foreman):
    before = DueLine.objects.get(unit__code="K01-TB6")
    assert foreman.post(PAGE, TOWING).status_code == 302
    factor = SeverityFactor.objects.get()
    assert (factor.reason, factor.factor, str(factor.entered_by)) == ("towing", 1.3, "Foreman")
    line = DueLine.objects.get(unit__code="K01-TB6")
    # 56 days of 150 km count 0.3 more each.
    assert line.used_share - before.used_share == pytest.approx(56 * 150 * 0.3 / 60_000, rel=1e-6)
    page = foreman.get(PAGE).content.decode()
    assert "entered by Foreman" in page
    assert "8\u202f400\xa0km" in page
    assert "10\u202f920\xa0km" in page
    unit_page = foreman.get("/units/K01-TB6").content.decode()
    assert "since 5\xa0Jan\xa02026 with 1.300, 8\u202f400\xa0km count as 10\u202f920\xa0km" in unit_page
    assert ChangeRecord.objects.filter(key__startswith="K01-TB6 towing", action="added").count() == 1


def test_the_same_again_changes_nothing_and_another_figure_is_refused(foreman):
    foreman.post(PAGE, TOWING)
    assert foreman.post(PAGE, TOWING).status_code == 302
    assert SeverityFactor.objects.count() == 1
    refused = foreman.post(PAGE, TOWING | {"factor": "1.5"})
    assert refused.status_code == 422
    assert "begins on 2026-01-05 already" in refused.content.decode()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"condition": "other", "reason": ""}, "Say what makes the use harder"),
        ({"condition": "cold"}, "No figure is published"),
        ({"factor": "9"}, "less than or equal to 3"),
        ({"source": ""}, "required"),
        ({"condition": "other", "reason": "fluid temperature", "factor": "1.2"}, "That one is measured"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(foreman, changed, words):
    answer = foreman.post(PAGE, TOWING | changed)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not SeverityFactor.objects.exists()


def test_ending_a_factor_keeps_what_was_driven_with_it(foreman):
    foreman.post(PAGE, TOWING)
    factor = SeverityFactor.objects.get()
    ends_on = TODAY - datetime.timedelta(days=14)
    foreman.post(f"/severity-factors/{factor.pk}/end", {"ends_on": ends_on.isoformat()})
    line = DueLine.objects.get(unit__code="K01-TB6")
    assert line.used_share == pytest.approx((57_000 + 42 * 150 * 0.3) / 60_000, rel=1e-6)
    assert "ended by Foreman" in foreman.get(PAGE).content.decode()
    foreman.post(f"/severity-factors/{factor.pk}/end", {"ends_on": "2026-01-05"})
    factor.refresh_from_db()
    assert factor.ends_on == ends_on


def test_two_months_of_hours_propose_a_step_a_person_takes_up(foreman):
    rows = "74 50\n86 28\n96 13\n106 6\n114 3"
    for month in ("2026-01", "2026-02"):
        posted = foreman.post(f"{PAGE}/hours", {"month": month, "hours": rows, "unseen_h": "25"})
        assert posted.status_code == 302
    assert TemperatureHours.objects.count() == 12
    assert "The sensor saw 80% of the hours and measures 1.263" in foreman.get(PAGE).content.decode()
    foreman.post(PAGE, TOWING)
    foreman.post(f"{PAGE}/measured")
    measured = SeverityFactor.objects.get(basis="measured")
    # From 1.3 by duty down to the measured 1.2626 is less than 15 %: all of it at once, from the day after February.
    assert measured.factor == pytest.approx(1.2626, abs=1e-4)
    assert measured.applies_from == datetime.date(2026, 3, 1)
    page = foreman.get(PAGE).content.decode()
    assert "set aside: measured counts" in page
    assert told_line(unit__code="K01-TB6").facts["severity"] == measured.factor
    again = foreman.post(f"{PAGE}/measured", follow=True).content.decode()
    assert "nothing to take up" in again


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"hours": "74 fifty"}, "is not a temperature and hours"),
        ({"hours": "74 50\n74 20"}, "stands there twice"),
        ({"hours": "74 700"}, "do not fit into a month of 28 days"),
        ({"month": "2026-03"}, "is not over yet"),
        ({"hours": "740 5"}, "correct the temperatures"),
    ],
)
def test_hours_that_cannot_be_are_refused(foreman, typed, words):
    answer = foreman.post(f"{PAGE}/hours", {"month": "2026-02", "hours": "74 50", "unseen_h": "0"} | typed)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not TemperatureHours.objects.exists()


@pytest.mark.parametrize("role", ["fleet", "stores", "technician", "apprentice"])
def test_only_who_may_change_unit_data_changes_it(sign_in, role):
    client = sign_in(role)
    assert client.post(PAGE, TOWING).status_code == 403
    assert client.post(f"{PAGE}/hours", {}).status_code == 403
    assert "Your role may not change it" in client.get(PAGE).content.decode()


def test_another_depots_factor_is_not_there(foreman, other_yard):
    factor = SeverityFactor.objects.create(
        unit=Unit.objects.get(code="Z01-TB6"), reason="hills", factor=1.15, source="x", applies_from=TODAY
    )
    assert foreman.get("/units/Z01-TB6/severity").status_code == 404
    assert foreman.post(f"/severity-factors/{factor.pk}/end", {"ends_on": "2026-04-01"}).status_code == 404
