"""The daily run with its mails: once a local day, safe to repeat, loud when it fails."""

import datetime
import json
from pathlib import Path
from unittest import mock

import pytest
from django.core.management import CommandError, call_command

from notifications import tasks
from notifications.models import Mail
from notifications.services.daily import daily_run, daily_runs_due
from shop import clock
from shop.models import DailyRun, Depot
from shop.services import daily_run as shop_daily_run
from shop.services.daily_run import STEP_NAMES, steps_in_order
from tests.notifications.rows import DAY, a_depot, a_line, a_person

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("mail_folder")]
FIVE_MINUTES = datetime.timedelta(minutes=5)


def run_the_night(depot: Depot, day: datetime.date) -> list[datetime.datetime]:
    """Let the five-minute tick go through two UTC days around a local day; return when runs of it began."""
    instant = datetime.datetime.combine(day, datetime.time(), datetime.UTC) - datetime.timedelta(hours=12)
    began = []
    for _ in range(2 * 24 * 12):
        clock.pin(instant)
        for due, as_of in daily_runs_due():
            daily_run(due, as_of)
            began += [instant] if as_of == day else []
        instant += FIVE_MINUTES
    return began


@pytest.mark.parametrize(
    ("day", "time_zone", "at_utc"),
    [
        # IANA time zone database: Europe/Berlin goes 02:00 → 03:00 at 01:00 UTC on 29 March 2026 …
        (datetime.date(2026, 3, 29), "Europe/Berlin", (1, 30)),
        # … and 03:00 → 02:00 at 01:00 UTC on 25 October 2026, so 02:30 comes at 00:30 and at 01:30 UTC.
        (datetime.date(2026, 10, 25), "Europe/Berlin", (0, 30)),
        (datetime.date(2026, 7, 1), "Europe/Berlin", (0, 30)),
    ],
)
def test_a_night_of_clock_change_has_exactly_one_run(
    day: datetime.date, time_zone: str, at_utc: tuple[int, int]
) -> None:
    depot = a_depot(time_zone=time_zone, daily_run_at=datetime.time(2, 30))
    person = a_person(depot)
    began = run_the_night(Depot.objects.get(pk=depot.pk), day)
    assert [(start.hour, start.minute) for start in began] == [at_utc]
    assert DailyRun.objects.filter(as_of=day, state=DailyRun.State.DONE).count() == 1
    assert Mail.objects.filter(person=person, local_day=day).count() == 1


def test_each_depot_starts_at_its_own_local_hour() -> None:
    # IANA time zone database: on 2 March 2026 Berlin is UTC+1, New York UTC−5.
    for code, zone in [("B", "Europe/Berlin"), ("N", "America/New_York")]:
        a_depot(code, time_zone=zone)
    due = []
    for hour in (4, 5, 10, 11):
        clock.pin(datetime.datetime(2026, 3, 2, hour, 29, tzinfo=datetime.UTC))
        due.append([depot.code for depot, day in daily_runs_due() if day == DAY])
    assert due == [[], ["B"], ["B"], ["B", "N"]]


def test_a_run_ends_with_mail_files_and_repeating_it_changes_nothing(mail_folder: Path) -> None:
    depot = a_depot()
    a_person(depot, username="ines")
    first = daily_run(depot, DAY)
    assert first.state == DailyRun.State.DONE
    assert (first.steps["mails stored"], first.steps["mails sent"]["sent"]) == (
        {"new_mails": 1, "without_address": 0},
        1,
    )
    files = {path.name: path.read_bytes() for path in mail_folder.iterdir()}
    assert list(files) == ["2026-03-02_ines_daily.eml"]
    for is_again in (False, True):
        assert daily_run(depot, DAY, is_again=is_again).state == DailyRun.State.DONE
    assert {path.name: path.read_bytes() for path in mail_folder.iterdir()} == files
    assert Mail.objects.count() == 1


def failing(depot: Depot, as_of: datetime.date) -> dict[str, int]:
    raise ValueError("a rule without a limit")


@pytest.fixture
def _broken(monkeypatch: pytest.MonkeyPatch) -> None:
    step = shop_daily_run.Step("order list", failing)
    monkeypatch.setattr(shop_daily_run, "STEPS", (step,))


def test_a_failed_run_is_told_once_and_goes_on_later(
    mail_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    depot = a_depot()
    a_person(depot, username="ines")
    step = shop_daily_run.Step("order list", failing)
    with monkeypatch.context() as patched:
        patched.setattr(shop_daily_run, "STEPS", (step,))
        states = [daily_run(depot, DAY).state for _ in range(2)]
    assert states == [DailyRun.State.FAILED] * 2
    assert [path.name for path in mail_folder.iterdir()] == ["2026-03-02_ines_run-failed.eml"]
    assert "a rule without a limit" in Mail.objects.get().text
    assert daily_run(depot, DAY).state == DailyRun.State.DONE
    assert {path.name for path in mail_folder.iterdir()} == {
        "2026-03-02_ines_run-failed.eml",
        "2026-03-02_ines_daily.eml",
    }


@pytest.mark.usefixtures("_broken")
def test_the_command_exits_with_1_when_a_run_failed(capsys: pytest.CaptureFixture[str]) -> None:
    a_depot()
    with pytest.raises(SystemExit) as stopped:
        call_command("daily_run", as_of=DAY)
    assert stopped.value.code == 1
    assert "a rule without a limit" in capsys.readouterr().out


def test_the_command_runs_every_depot_for_its_own_today_and_prints_the_steps(
    capsys: pytest.CaptureFixture[str],
) -> None:
    a_depot("UY")
    a_depot("FE", time_zone="Pacific/Auckland")  # UTC+13 in March: IANA time zone database
    clock.pin(datetime.datetime(2026, 3, 2, 12, 0, tzinfo=datetime.UTC))
    call_command("daily_run")
    out = capsys.readouterr().out
    assert "UY 2026-03-02: done" in out
    assert "FE 2026-03-03: done" in out
    assert all(f"  {step}: " in out for step in ("due lines", "order list", "mails stored", "mails sent"))


def test_the_command_reports_as_json_for_chosen_depots(capsys: pytest.CaptureFixture[str]) -> None:
    a_depot("UY")
    a_depot("LY")
    call_command("daily_run", "--depot", "LY", "--as-of", "2026-03-02", "--json")
    (run,) = json.loads(capsys.readouterr().out)["runs"]
    assert (run["depot"], run["as_of"], run["state"], run["error"]) == ("LY", "2026-03-02", "done", "")


@pytest.mark.parametrize(
    ("words", "said"),
    [(["--depot", "XX"], "XX is not known"), (["--as-of", "2.3.2026"], "write it like 2026-03-02")],
)
def test_the_command_says_what_is_wrong(words: list[str], said: str) -> None:
    a_depot("UY")
    with pytest.raises(CommandError, match=said):
        call_command("daily_run", *words)


def test_the_tick_hands_each_due_depot_to_a_task_of_its_own() -> None:
    a_depot("UY")
    a_depot("LY")
    clock.pin(datetime.datetime(2026, 3, 2, 5, 0, tzinfo=datetime.UTC))
    with mock.patch.object(tasks.daily_run, "delay") as delay:
        tasks.daily_runs_due()
    assert delay.call_args_list == [mock.call("LY", "2026-03-02"), mock.call("UY", "2026-03-02")]


def test_the_tasks_carry_the_names_of_the_schedule() -> None:
    from shop.celery import app

    scheduled = {entry["task"] for entry in app.conf.beat_schedule.values()}
    assert scheduled <= set(app.tasks)
    assert {"notifications.tasks.daily_runs_due", "notifications.tasks.mails_send"} <= scheduled


def test_a_task_runs_its_depots_day() -> None:
    depot = a_depot()
    a_person(depot)
    a_line(depot)
    tasks.daily_run(depot.code, "2026-03-02")
    tasks.mails_send()
    assert DailyRun.objects.get().state == DailyRun.State.DONE
    assert Mail.objects.get().state == Mail.State.SENT


def test_every_step_of_a_run_has_its_place_in_the_order() -> None:
    depot = a_depot()
    run = daily_run(depot, DAY)
    # The database may give the keys back in any order.
    assert set(run.steps) == set(STEP_NAMES)
    DailyRun.objects.update(steps=dict(reversed(run.steps.items())))
    assert tuple(steps_in_order(DailyRun.objects.get())) == STEP_NAMES


def test_the_command_prints_the_steps_in_the_order_they_are_done(capsys: pytest.CaptureFixture[str]) -> None:
    a_depot("UY")
    call_command("daily_run", as_of=DAY)
    DailyRun.objects.update(steps=dict(reversed(DailyRun.objects.get().steps.items())))
    capsys.readouterr()
    call_command("daily_run", "--json", as_of=DAY)
    (run,) = json.loads(capsys.readouterr().out)["runs"]
    assert tuple(run["steps"]) == STEP_NAMES


def test_an_earlier_day_is_refused_before_any_depot_is_run() -> None:
    a_depot("LY")
    later = a_depot("UY")
    daily_run(later, DAY)
    with pytest.raises(CommandError, match="UY was worked out for 2026-03-02 already") as refused:
        call_command("daily_run", as_of=DAY - datetime.timedelta(days=1))
    assert refused.value.returncode == 1
    assert [str(run) for run in DailyRun.objects.all()] == ["UY 2026-03-02 done"]


def test_people_without_an_address_are_counted() -> None:
    depot = a_depot()
    a_person(depot)
    a_person(depot, email="")
    a_person(depot, email="", gets_daily_mail=False)
    assert daily_run(depot, DAY).steps["mails stored"] == {"new_mails": 1, "without_address": 1}


def test_the_tick_also_writes_the_mails_that_waited_long_enough() -> None:
    first, never = a_depot("UY"), a_depot("LY")
    a_person(first, never)
    daily_run(first, DAY)
    assert not Mail.objects.exists()
    clock.pin(clock.now() + datetime.timedelta(hours=1))
    with mock.patch.object(tasks.daily_run, "delay"):
        tasks.daily_runs_due()
    assert Mail.objects.get().state == Mail.State.QUEUED
