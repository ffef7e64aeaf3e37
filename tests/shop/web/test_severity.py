"""A unit's severity page: factors with their days and people, temperature hours, who may change it."""

import datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

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


LIST = "/severity"
# Counts 1.2626, worked out in tests/intervals/test_measured_duty.py.
SEEN_H = {74.0: 50.0, 86.0: 28.0, 96.0: 13.0, 106.0: 6.0, 114.0: 3.0}


def measured(code, months, unseen_h=0.0):
    """Put the same hours on record for months of a unit, past the pages."""
    unit = Unit.objects.get(code=code)
    TemperatureHours.objects.bulk_create(
        TemperatureHours(unit=unit, month=month, temp_c=temp, hours=hours)
        for month in months
        for temp, hours in {**SEEN_H, None: unseen_h}.items()
    )
    return unit


def factor(unit, value, applies_from, **more):
    return SeverityFactor.objects.create(
        unit=unit, reason="fluid temperature", basis="measured", factor=value, source="sensor",
        applies_from=applies_from, **more,
    )  # fmt: skip


def test_one_list_says_which_measured_units_wait_and_which_do_not(foreman):
    assert "Nothing waits" in foreman.get(LIST).content.decode()
    # A step to take up; a sensor that sees too little; hours that stopped; one month only.
    measured("K01-TB6", ["2025-11-01", "2026-01-01", "2026-02-01"])
    factor(measured("K02-TB6", ["2026-01-01", "2026-02-01"], unseen_h=100.0), 1.2, "2025-12-01")
    factor(measured("K08-TB6", ["2025-11-01", "2025-12-01"]), 1.2, "2026-01-01")
    measured("K13-TB6", ["2026-02-01"])
    factor(Unit.objects.get(code="K40-TB6"), 1.1, "2025-06-01", ends_on="2025-09-01")
    found = foreman.get(LIST)
    assert [row.unit.code for row in found.context["open"]] == ["K01-TB6", "K02-TB6", "K08-TB6"]
    assert [row.unit.code for row in found.context["others"]] == ["K13-TB6"]
    first, second, third = found.context["open"]
    # From 1 at most 15 % a month.
    assert (first.proposal.action, first.proposal.value, first.value) == ("use", pytest.approx(1.15), 1.0)
    assert (second.proposal.action, second.value, second.has_run_out) == ("end", 1.2, False)
    assert (third.proposal.action, third.has_run_out) == ("nothing", True)
    text = found.content.decode()
    assert "×1.150" in text
    assert "the newest hours are of Dec 2025" in text
    assert "of one month; two in a row are needed" in text
    # The list says what the unit's own page says.
    for row in (first, second, third):
        own = foreman.get(f"/units/{row.unit.code}/severity").context["page"]
        assert (own.proposal, own.value) == (row.proposal, row.value)
    foreman.post("/units/K01-TB6/severity/measured")
    assert "K01-TB6" in [row.unit.code for row in foreman.get(LIST).context["others"]]


def test_the_list_is_for_all_to_read_and_leaves_other_depots_out(sign_in, other_yard):
    measured("K01-TB6", ["2026-01-01", "2026-02-01"])
    measured("Z01-TB6", ["2026-01-01", "2026-02-01"])
    text = sign_in("technician").get(LIST).content.decode()
    assert "K01-TB6" in text
    assert "Z01-TB6" not in text
    assert "the foreman can" in text
    assert "decide</a>" not in text
    assert "decide</a>" in sign_in("foreman").get(LIST).content.decode()


def test_hours_and_factors_are_not_looked_up_for_each_unit_of_the_fleet(yard, foreman):
    measured("K01-TB6", ["2026-01-01", "2026-02-01"])
    with CaptureQueriesContext(connection) as seen:
        foreman.get(LIST)
    (fitted,) = (query["sql"] for query in seen if 'FROM "shop_fitting"' in query["sql"])
    with connection.cursor() as cursor:
        is_sqlite = connection.vendor == "sqlite"
        cursor.execute(f"explain {'query plan ' if is_sqlite else ''}{fitted}")
        plan = "\n".join(str(row) for row in cursor.fetchall())
    assert "shop_fitting" in plan
    assert ("CORRELATED" if is_sqlite else "SubPlan") not in plan


def test_more_measured_units_take_no_more_queries(foreman):
    measured("K01-TB6", ["2026-01-01", "2026-02-01"])
    with CaptureQueriesContext(connection) as one:
        foreman.get(LIST)
    for code in ("K02-TB6", "K08-TB6", "K13-TB6"):
        factor(measured(code, ["2025-11-01", "2026-01-01", "2026-02-01"]), 1.2, "2026-01-01")
    with CaptureQueriesContext(connection) as many:
        foreman.get(LIST)
    assert len(many) == len(one)
