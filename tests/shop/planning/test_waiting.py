"""Which jobs wait for which delivery. Rules of the house, no source; the litres are checked by plain subtraction."""

from datetime import date

import pytest

from shop.planning.demand import JobNeed
from shop.planning.waiting import Arrival, jobs_waiting

DAY = date(2026, 3, 9)
FRIDAY, LATER = (
    Arrival(60.0, date(2026, 3, 6), "UY-2026-001"),
    Arrival(20.0, date(2026, 3, 12), "UY-2026-002"),
)


def job(label: str, litres: float | None = 10.6, chance: float = 1.0, needed_on: date = DAY) -> JobNeed:
    return JobNeed(label, "drain-and-refill", litres, chance, 1.0, 1.0, needed_on)


def told(jobs: list[JobNeed], free_l: float, arrivals: list[Arrival]) -> dict[str, tuple[str, bool]]:
    return {
        own.job.unit_label: (own.arrival.order, own.is_in_time)
        for own in jobs_waiting(jobs, free_l, arrivals)
    }


def test_a_job_waits_only_if_free_stock_does_not_cover_it() -> None:
    jobs = [job("K01", needed_on=date(2026, 3, 3)), job("K02"), job("K19")]
    # 23.0 − 10.6 = 12.4 for K02, 1.8 left: only K19 waits.
    assert told(jobs, 23.0, [FRIDAY]) == {"K19": ("UY-2026-001", True)}
    assert told(jobs, 31.8, [FRIDAY]) == {}


def test_nothing_on_the_way_is_nothing_to_wait_for() -> None:
    assert told([job("K02")], 0.0, []) == {}
    assert told([job("K02", litres=80.1)], 0.0, [FRIDAY, LATER]) == {}


def test_free_stock_and_a_delivery_add_up() -> None:
    # 120.5 needed, 100 on the shelf: 40 L on the way are enough, 20 L are not.
    assert told([job("K34", 120.5)], 100.0, [Arrival(40.0, FRIDAY.coming_on, "A")]) == {"K34": ("A", True)}
    assert told([job("K34", 120.5)], 100.0, [Arrival(20.0, FRIDAY.coming_on, "A")]) == {}


def test_the_delivery_that_completes_the_litres_is_named_earliest_first() -> None:
    jobs = [job(f"K{number}", 20.0, needed_on=date(2026, 3, 10 + number)) for number in range(4)]
    assert told(jobs, 0.0, [LATER, FRIDAY]) == {
        "K0": ("UY-2026-001", True),
        "K1": ("UY-2026-001", True),
        "K2": ("UY-2026-001", True),
        "K3": ("UY-2026-002", True),
    }


@pytest.mark.parametrize(
    ("coming_on", "is_in_time"), [(date(2026, 3, 8), True), (DAY, False), (date(2026, 3, 10), False)]
)
def test_a_delivery_on_the_day_itself_is_not_in_time(coming_on: date, is_in_time: bool) -> None:
    # Fluid stands on the shelf the working day before the job, as for the latest day to order.
    assert told([job("K02")], 0.0, [Arrival(20.0, coming_on, "A")]) == {"K02": ("A", is_in_time)}


def test_unlikely_jobs_and_jobs_without_litres_are_not_named() -> None:
    jobs = [job("K03", chance=0.15), job("K40", litres=None), job("K02", chance=0.5)]
    assert told(jobs, 0.0, [FRIDAY]) == {"K02": ("UY-2026-001", True)}
