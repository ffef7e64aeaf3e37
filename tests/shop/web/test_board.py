"""The morning board: counts that lead on, what must not move, what to order, what waits for an answer."""

import datetime
import re

import pytest

from shop import clock
from shop.models import DueLine, Job, Person, Reading, StateChange
from shop.selectors.board import SHOWN_ROWS, board_for
from shop.selectors.due import STALE_AFTER_DAYS
from tests.factories import DepotFactory, PersonFactory, ReadingFactory
from tests.shop.web.conftest import NOW, TODAY, Yard


def counts(page: str) -> dict[str, int]:
    found = re.findall(
        r'<span class="count">(\d+)</span>\s*<span class="word">(?:<svg.*?</svg>)?([^<]+)<', page
    )
    return {word: int(count) for count, word in found}


def test_the_four_numbers_open_the_lines_they_count(foreman, yard):
    Job.objects.create(
        code="J1", unit=yard.line("K13").unit, vehicle=yard.line("K13").vehicle, state=Job.State.NO_SHOW,
        booked_for=NOW - datetime.timedelta(days=6),
    )  # fmt: skip
    page = foreman.get("/").content.decode()
    assert counts(page) == {"late": 1, "due": 1, "off the road": 0, "no-shows": 1}
    for link in re.findall(r'class="number[^"]*" href="([^"]+)"', page):
        assert foreman.get(link.replace("&amp;", "&")).status_code == 200


def test_a_no_show_done_since_is_no_longer_counted(foreman, yard):
    unit, vehicle = yard.line("K13").unit, yard.line("K13").vehicle
    Job.objects.create(
        code="J1",
        unit=unit,
        vehicle=vehicle,
        state=Job.State.NO_SHOW,
        booked_for=NOW - datetime.timedelta(days=6),
    )
    Job.objects.create(
        code="J2",
        unit=unit,
        vehicle=vehicle,
        state=Job.State.HANDED_BACK,
        done_on=TODAY - datetime.timedelta(days=6),
    )
    assert counts(foreman.get("/").content.decode())["no-shows"] == 0


def test_yesterday_is_told_only_when_it_is_known(foreman, yard):
    assert "yesterday" not in foreman.get("/").content.decode().split("</ul>")[0]
    StateChange.objects.update(day=TODAY - datetime.timedelta(days=3))
    line = yard.line("K02")
    StateChange.objects.create(unit=line.unit, rule=line.rule, day=TODAY, from_state="due", to_state="late")
    page = foreman.get("/").content.decode()
    told = re.findall(r'<span class="was">([^<]+)</span>', page)
    assert told[:2] == ["yesterday 0", "yesterday 2"]


def test_each_depot_takes_the_changes_of_its_own_day_back(yard):
    # At 04:30 UTC it is still the evening before six hours further west.
    west = Yard("WY")
    west.depot.time_zone = "Etc/GMT+6"
    west.depot.save()
    west.add("W1", 70_000)
    west.run()
    StateChange.objects.update(day=TODAY - datetime.timedelta(days=3))
    for number, day in (("K02", TODAY), ("W1", TODAY), ("W1", TODAY - datetime.timedelta(days=1))):
        line = yard.line(number)
        StateChange.objects.create(unit=line.unit, rule=line.rule, day=day, from_state="due", to_state="late")
    found = board_for(Person.objects.create(username="all", is_superuser=True))
    assert [(one.word, one.count, one.yesterday) for one in found.numbers[:2]] == [
        ("late", 2, 0),
        ("due", 1, 3),
    ]
    # A depot worked out for the first time today had nothing late or due yesterday, though others had.
    line = yard.line("W1")
    StateChange.objects.filter(unit=line.unit).delete()
    StateChange.objects.create(
        unit=line.unit, rule=line.rule, day=TODAY - datetime.timedelta(days=1), from_state="", to_state="late"
    )
    found = board_for(Person.objects.get(username="all"))
    assert [one.yesterday for one in found.numbers[:2]] == [0, 2]


def test_of_many_vehicles_with_old_readings_the_first_are_shown_and_the_rest_counted(yard):
    for number in range(SHOWN_ROWS + 3):
        yard.add(f"S{number:02}", 20_000)
    yard.run()
    DueLine.objects.filter(vehicle__number__startswith="S").update(
        counted_from=TODAY - datetime.timedelta(days=STALE_AFTER_DAYS + 1)
    )
    found = board_for(Person.objects.create(username="all", is_superuser=True)).stale
    assert [line.vehicle.number for line in found.rows] == [f"S{number:02}" for number in range(SHOWN_ROWS)]
    assert found.more == 3


@pytest.mark.parametrize("state", [Job.State.EMPTY, Job.State.PART_FILLED])
def test_an_unfinished_job_stands_on_top_with_what_is_known(foreman, yard, state):
    Job.objects.create(
        code="J8", unit=yard.line("K08").unit, vehicle=yard.line("K08").vehicle, state=state, bay="B4", out_l=4.8,
        state_since=datetime.datetime(2026, 2, 27, 14, 40, tzinfo=datetime.UTC),
    )  # fmt: skip
    page = foreman.get("/").content.decode()
    assert page.index("must not move") < page.index('class="numbers"')
    assert f"{state}, bay B4, UY yard" in page
    assert "Fri 27\u00a0Feb 15:40" in page  # local time of the depot, one hour ahead of UTC in winter
    assert "4.8\u00a0L came out" in page
    assert "nothing went in" in page
    assert counts(page)["off the road"] == 1


def test_falls_due_soon_questions_waste_and_yesterday(foreman, yard):
    yard.add("K22", 58_500)
    yard.run()
    ReadingFactory(
        meter=yard.line("K08").vehicle.meters.get(), raw_text="51807", raw_value=51807, true_total=None,
        status=Reading.Status.ASKED, question="has the decimal point been lost?", source="driver",
    )  # fmt: skip
    Job.objects.create(
        code="J5", unit=yard.line("K13").unit, vehicle=yard.line("K13").vehicle, state=Job.State.HANDED_BACK,
        done_on=TODAY - datetime.timedelta(days=1), in_l=10.1,
    )  # fmt: skip
    page = foreman.get("/").content.decode()
    soon = page[page.index("falls due within 14 days") : page.index("Needs an answer")]
    assert re.findall(r"<strong>(K\d+)</strong>", soon) == ["K22"]
    assert "51807: has the decimal point been lost?" in page
    assert "cannot say" in page
    # 0.9·1000 − 42·5 − 1.645·24·√5 = 601.7 L: reference calculation
    assert "630 of 1\u202f000 L, call at 602" in page
    assert "call the collector today" in page
    assert re.search(r"<strong>1</strong> job closed, <strong>10.1\u00a0L</strong>", page)


def test_a_held_clock_is_said_and_a_running_one_is_not(foreman):
    assert "demo day, clock held" in foreman.get("/").content.decode()
    clock.pin(None)
    assert "clock held" not in foreman.get("/").content.decode()


def test_a_quiet_depot_reads_quietly(client, db):
    client.force_login(PersonFactory(role=Person.Role.FLEET, depots=[DepotFactory(code="QY")]))
    page = client.get("/").content.decode()
    for sentence in (
        "Nothing falls due",
        "Nothing waits for an answer",
        "Nothing to order",
        "No jobs were closed",
    ):
        assert sentence in page


def test_a_person_without_a_depot_is_told_so(client, db):
    client.force_login(PersonFactory())
    assert "no depot yet" in client.get("/").content.decode()
