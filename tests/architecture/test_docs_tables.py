"""The worked tables of DEVELOPERS.md are what the code gives; each row is worked out again and looked for."""

import datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from intervals.as_driven import clock_as_driven, wear_of
from intervals.due import STATES, Clock, DueResult, TimeClock, compute_due, shown_day
from intervals.duty import severity_from_duty, severity_from_temperature_hours
from intervals.exchange import (
    ErrorSource,
    UnitCard,
    combined_u,
    corrected_out_l,
    drained_l,
    first_fill_l,
    fit_drain_curve,
    needed_l,
    plan_exchange,
    simulate,
    stage_limit,
    start_check,
    stick_offset_mm,
    stop_waiting_min,
)
from intervals.exchange.learning import Observed, drain_belief, learn
from intervals.exchange.plan_spread import plan_spread
from intervals.exchange.sampling import Contents, mixing_from_sample, share_from_sample
from intervals.exchange.tool_errors import READING_ERROR, reading_error
from intervals.fluid_age import age_after_exchange, next_due
from intervals.readings import MeterChange, judge, roll_over, rolls_over_at, true_total
from intervals.usage import usage_from_readings
from shop.planning.bulk_tank import shrink
from shop.planning.demand import JobNeed, jobs_that_fall, net_need_l, pool_need
from shop.planning.lot_sizing import LitresAhead, Offer, plan_lots
from shop.planning.packs import Pack, choose_packs
from shop.planning.punctuality import wilson_interval
from shop.planning.suppliers import Supplier, horizon_days, latest_order_day
from shop.planning.waiting import Arrival, jobs_waiting
from shop.planning.waste import call_by
from shop.planning.waste_balance import MonthFigures, month_balance

LINES = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
DAY = datetime.date(2026, 3, 2)
UNIT = UnitCard(
    11.2, quick_drain_l=3.6, overnight_drain_l=6.1, sump_l=4.0, converter_l=3.2, cooler_l=0.9, passages_l=3.1,
    heel_l=0.4, converter_drainback_l=0.9, passages_drainback_l=1.6, pickup_l=1.4, swirl_l=0.3,
    cooler_flow_l_min=2.5, ml_per_mm=25.0, stick_ref_c=80.0,
)  # fmt: skip
LINE, MACHINE, NIGHT, QUICK = (
    "cooler-line exchange", "machine exchange", "overnight drain", "quick drain"
)  # fmt: skip


def told(*cells: object) -> None:
    row = f"| {' | '.join(str(cell) for cell in cells)} |".replace("|  |", "| |")
    assert row in LINES, row


def spaced(number: float) -> str:
    return f"{number:,.0f}".replace(",", " ").replace("-", "−")


def one(value: float) -> np.ndarray:
    return np.array([value])


def project(clock: Clock, *, is_distance: bool = True) -> DueResult:
    none, width, unknown = Clock.absent(1), one(0.1), one(np.nan)
    distance, hours = (clock, none) if is_distance else (none, clock)
    return compute_due(DAY, distance, hours, TimeClock(unknown, unknown, unknown), width, width)


def steady(*figures: float) -> Clock:
    return Clock.steady(*(one(figure) for figure in figures))


def day_words(day: datetime.date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def test_usage_rate() -> None:
    days = np.array([[DAY.toordinal() + 7.0 * week for week in range(13)]])
    weeks = np.array([1050, 1020, 1080, 1060, 1050, 1040, 1050, 1010, 1090, 1050, 1030, 1070.0])
    for name, odd in (("about 1 050 km each", 1050.0), ("the same, one week of 2 400 km", 2400.0)):
        weeks[4] = odd
        totals = np.concatenate([[0.0], np.cumsum(weeks)])[None, :]
        rate = usage_from_readings(days, totals, int(days[0, -1]), one(np.nan)).rate_per_day[0]
        told(name, f"{rate:.1f} km/day", f"{weeks.sum() / 84:.1f} km/day")


@pytest.mark.parametrize(
    ("name", "stale", "run"), [("read today", 0, 55_500), ("read 45 days ago", 45, 48_750)]
)
def test_range(name: str, stale: float, run: float) -> None:
    due = project(steady(60_000, run, 60_000, stale, 150, 95))
    days = (due.p10_days, due.p20_days, due.due_days, due.p90_days)
    told(name, *(f"{one_day[0]:.1f} d" for one_day in days))


@pytest.mark.parametrize("run", [53_999, 54_000, 60_000, 66_001])
def test_states(run: float) -> None:
    due = project(steady(60_000, run, 60_000, 0, 150, 95))
    told(f"{spaced(run)} km", f"{due.u[0, 0]:.5f}", STATES[due.state[0]])


def test_season() -> None:
    common = (one(400), one(340), one(400), one(0), one(4), one(3))
    seasonal = Clock(*common, np.array([[0.0, 30.0, 213.0]]), np.array([[0.5, 4.0, 0.5]]))
    for name, clock in (
        ("0.5 h/day, from 1 April 4 h/day until September", seasonal),
        ("its winter rate for ever", steady(400, 340, 400, 0, 0.5, 1)),
        ("its yearly mean of 2.25 h/day", steady(400, 340, 400, 0, (183 * 4 + 182 * 0.5) / 365, 3)),
    ):
        due_on = DAY + datetime.timedelta(days=int(shown_day(project(clock, is_distance=False).due_days)[0]))
        told(name, f"{due_on.day} {due_on:%b %Y}")


@pytest.mark.parametrize(
    ("f_ref", "age", "share"),
    [(1, 57e3, 0.773), (1, 57e3, 9 / 28), (1, 96.4e3, 9 / 28), (0.65, 96.4e3, 9 / 28)],
)
def test_fluid_age(f_ref: float, age: float, share: float) -> None:
    after = age_after_exchange(share, age)
    told(f"{f_ref:g}", spaced(age), f"{share:.3f}", spaced(after), spaced(next_due(60_000.0, after, f_ref)))


def test_severity() -> None:
    heat = severity_from_temperature_hours([0.5, 0.28, 0.13, 0.06, 0.03], [74, 86, 96, 106, 114])
    told(
        "half the hours at 74 °C, 28 % at 86, 13 % at 96, 6 % at 106, 3 % at 114",
        f"{heat:.3f}",
        spaced(6e4 / heat),
    )
    duty = severity_from_duty([1.3, 1.15])
    told("short trips 1.3 × hills 1.15", f"{duty:.3f}", spaced(6e4 / duty))


@pytest.mark.parametrize(
    ("name", "severities", "runs"),
    [
        ("30 000 km at 1, then 4 100 km at 1.3", (1.0, 1.3), (30_000.0, 4_100.0)),
        ("34 100 km, all at 1.3", (1.3, 1.3), (30_000.0, 4_100.0)),
    ],
)
def test_severity_as_driven(name: str, severities: tuple[float, float], runs: tuple[float, float]) -> None:
    wear = wear_of(
        np.array([[np.nan, -40.0]]), np.array([severities]), np.array([[0.0, runs[0]]]), one(sum(runs)), one(-300),
        one(np.nan),
    )  # fmt: skip
    life = 60_000 / severities[-1]
    due = project(clock_as_driven(steady(life, sum(runs), life, 0, 100, 50), wear))
    told(name, spaced(due.u[0, 0] * 60_000), f"{due.u[0, 0]:.1%}".replace("%", " %"))


@pytest.mark.parametrize(("oil_c", "shed_c"), [(70, 18), (18, 18), (70, 2)])
def test_drain(oil_c: float, shed_c: float) -> None:
    curve = fit_drain_curve(3.6, 6.1)
    out = (f"{drained_l(minutes, oil_c, shed_c, curve):.2f} L" for minutes in (10, 60, 240, 960))
    wait = stop_waiting_min(oil_c, shed_c, curve)
    assert wait is not None
    told(f"{oil_c} / {shed_c}", *out, f"{wait / 60:.0f} h")


@pytest.mark.parametrize(("start", "method"), [(NIGHT, LINE), (QUICK, LINE), (QUICK, MACHINE)])
def test_exchange(start: str, method: str) -> None:
    shares = (simulate(UNIT, method, litres, start=start).fresh_share for litres in (8.0, 10.1, 12.0))
    told(f"{start} + {method}", *(f"{share:.3f}" for share in shares))


@pytest.mark.parametrize("target", [0.70, 0.75, 0.85])
def test_cautious_plan(target: float) -> None:
    plans = plan_exchange(UNIT, [LINE], target).plans
    plan = next(plan for plan in plans if plan.start == NIGHT)
    stages = f"{len(plan.stages)} × {plan.stages[0]:.2f} L"
    told(
        f"{target:.2f}",
        f"{plan.new_fluid_l:.2f} L",
        stages,
        f"{plan.fresh_share:.3f}",
        f"{plan.fresh_share_low:.3f}",
    )


def test_range_of_a_plan() -> None:
    plans = plan_exchange(UNIT, [LINE], 0.75, 0.5).plans
    got = plan_spread(UNIT, next(plan for plan in plans if plan.start == NIGHT))
    have, share = got.reserve_l, got.share
    told("litres to have", f"{have.value:.1f} L", f"{have.low:.1f} to {have.high:.1f} L")
    told("fresh share", f"{share.value:.3f}", f"{share.low:.3f} to {share.high:.3f}")


def test_stage_limit() -> None:
    for name, short_l in (("full refill", 0.0), ("refill 0.35 L short", 0.35)):
        limit = stage_limit(UNIT, short_l)
        told(name, f"{limit.litres:.2f} L in {limit.seconds:.0f} s")
    guess = stage_limit(UnitCard(11.2, quick_drain_l=3.6))
    told("sump not on the card", f"{guess.litres:.2f} L, {guess.source}")
    told("one stage of 4.0 L", f"refused: {simulate(UNIT, LINE, 10.1, 4.0).reason}")
    check = start_check(UNIT, 3.6)
    assert not check.ok
    told("start after 3.6 L", f"refused, pour {check.least_pour_l:.2f} L first")


def test_level_and_first_fill() -> None:
    levels = (f"{stick_offset_mm(temp_c, UNIT):.1f} mm".replace("-", "−") for temp_c in (20, 40, 66, 80, 100))
    told("right level", *levels)
    need_l = needed_l(corrected_out_l(6.1, 4.0, 70.0), -4.0, 25.0)
    limits_l = {"tray": 0.05 * 6.1, "jug": 0.03 * 4.0, "packs": 0.15, "stick": 0.125}
    limits_l["jug temperature"] = 4.0 * 0.00078 * 5.0
    u_l = combined_u(ErrorSource(name, limit_l) for name, limit_l in limits_l.items())
    told("needed", f"{need_l:.2f} L")
    told("u of tray 5 %, jug 3 %, packs 0.15 L, stick 5 mm, jug temperature", f"{u_l:.2f} L")
    told("first fill at 5 % risk of an overfill", f"{first_fill_l(need_l, u_l).first_fill_l:.2f} L")


def test_pooled_need() -> None:
    chances = [(0.97, 10.6), (0.94, 10.6), (0.88, 10.6), (0.80, 3.9), (0.50, 10.6), (0.30, 10.6), (0.20, 3.9)]
    pooled = pool_need([JobNeed(f"{p}", "", litres, p, 1.0, 1.0, DAY) for p, litres in chances], 0.0)
    told("mean, sd, all of them", f"{pooled.mean_l:.2f}, {pooled.sd_l:.2f}, {pooled.most_l:.2f} L")
    told("order up to, 95 %", f"{pooled.order_up_to_l:.2f} L")
    net_l = net_need_l(pooled.order_up_to_l, 13.5, 5.0)
    told("still to order with 13.5 L free, 5.0 L on the way", f"{net_l:.2f} L")


@pytest.mark.parametrize("need_l", [46, 38])
@pytest.mark.parametrize(("words", "usable_l"), [("useless", 0), ("used", 60)])
def test_packs(need_l: float, words: str, usable_l: float) -> None:
    prices = {1: "10.40", 5: "44", 20: "158", 60: "429", 208: "1340"}
    choice = choose_packs(
        need_l, [Pack(size, Decimal(price), f"{size} L") for size, price in prices.items()], usable_l
    )
    buy = " + ".join(f"{count} × {pack.label}" for pack, count in choice.packs)
    told(f"{need_l} L, left-over {words}", buy, f"{choice.price:.2f}", f"{choice.net_price:.2f}")


@pytest.mark.parametrize(("name", "closed"), [("every working day", []), ("Mon 9 Mar closed", [9])])
def test_supplier_days(name: str, closed: list[int]) -> None:
    shut = frozenset(datetime.date(2026, 3, day) for day in closed)
    supplier = Supplier("supplier", 4, datetime.time(14), closed_days=shut)
    latest = latest_order_day(datetime.date(2026, 3, 13), supplier)
    told(name, day_words(latest), f"{horizon_days(4, DAY, shut)} days")


def test_who_waits() -> None:
    needs = {"K08": (10.6, 2), "K01": (10.6, 3), "K02": (10.6, 9), "K34": (120.5, 9)}
    jobs = [
        JobNeed(name, "", litres, 1.0, 1.0, 1.0, DAY.replace(day=day))
        for name, (litres, day) in needs.items()
    ]
    waits = {
        own.job.unit_label: own.arrival.coming_on
        for own in jobs_waiting(jobs, 23.0, [Arrival(60.0, DAY.replace(day=6))])
    }
    falls = {job.unit_label for job in jobs_that_fall(jobs, 23.0)}
    for name, (litres, day) in needs.items():
        word = "falls" if name in falls else "on the shelf"
        word = f"waits for {waits[name].day} {waits[name]:%b}" if name in waits else word
        told(name, f"{litres} L", f"{day} Mar", word)


@pytest.mark.parametrize(("hits", "trials"), [(3, 4), (93, 100), (117, 120)])
def test_punctuality(hits: int, trials: int) -> None:
    low, high = wilson_interval(hits, trials)
    told(f"{hits} of {trials}", f"{100 * hits / trials:.1f} %", f"{100 * low:.1f}–{100 * high:.1f} %")


@pytest.mark.parametrize("level_l", [480, 610])
def test_waste(level_l: float) -> None:
    state = call_by(level_l, 1000, 42, 24, 5, DAY)
    assert state.call_by is not None
    act = (
        state.state
        if state.state == "call today"
        else f"{state.state} {state.call_by.day} {state.call_by:%b}"
    )
    told(f"{level_l} L in it on 2 Mar", f"{state.call_level_l:.0f} L", act)


@pytest.mark.parametrize(
    ("dipped_l", "words"),
    [
        (-49.0, "collected 363 L, then a dip finds it empty"),
        (0.0, "collected 363 L, the dip finds the other 49 L"),
    ],
)
def test_balance_of_old_fluid(dipped_l: float, words: str) -> None:
    month = month_balance(
        MonthFigures(
            filled_l=430, lost_l=18, drained_l=412, poured_by_jobs_l=412, dipped_l=dipped_l, dips=1, collected_l=363,
            moves=3,
        )
    )  # fmt: skip
    assert month.gathered is not None
    look = "look" if month.is_to_look_at else ""
    told(words, f"{month.figures.gathered_l:.0f} L", f"{month.gathered.gap_share * 100:.1f} %", look)


@pytest.mark.parametrize("figures", [(900, 1200, 1310, 778), (900, 0, 0, 880)])
def test_bulk_tank(figures: tuple[int, int, int, int]) -> None:
    gap = shrink(*figures)
    words = f"{', '.join(spaced(figure) for figure in figures)} L"
    if gap is None:
        told(words, "cannot say", "")
    else:
        told(words, f"{gap.missing_l:.0f} L", f"{gap.share * 100:.2f} %")


@pytest.mark.parametrize("shown", [121_040, 75_205, 1_210_050, 120_100, 122_900])
def test_odd_readings(shown: float) -> None:
    before = [(datetime.date(2026, 2, 23), 120_000.0), (datetime.date(2026, 3, 1), 120_900.0)]
    verdict = judge(shown, DAY, before, 0.0, 150.0, unit="km")
    told(spaced(shown), verdict.code, "" if verdict.guess is None else spaced(verdict.guess))


def test_meter_changes() -> None:
    replaced = true_total(5_274, DAY, [MeterChange(DAY, "replaced", 148_320, 9)])
    told("148 320 → 9, replaced", "5 274", f"{spaced(int(replaced))}.{round(replaced % 1 * 10)}")
    rolled = true_total(41.3, DAY, [roll_over(DAY, rolls_over_at(9_999.9))])
    told("9 999.9 → 0, rolled over", "41.3", f"{spaced(int(rolled))}.{round(rolled % 1 * 10)}")


def test_learning() -> None:
    seen = [3.92, 3.87, 4.01, 2.90]
    drain = learn(drain_belief(3.6), [Observed(litres, 0.12) for litres in seen])
    told(
        "3.6 ± 0.4 L", f"{', '.join(f'{litres:.2f}' for litres in seen)} ± 0.12", f"{drain.mean:.3f} ± {drain.sd:.3f}",
        ", ".join(f"{odd.value:.2f}" for odd in drain.set_aside),
    )  # fmt: skip
    tray = learn(READING_ERROR, [reading_error(10.0, 10.36)])
    told("0 ± 4 %", "−3.6 ± 1.2", f"{100 * tray.mean:.2f} ± {100 * tray.sd:.2f}".replace("-", "−"), "")
    sampled = share_from_sample(Contents(110, 260, 225))
    mixing = mixing_from_sample(sampled, 6.1, 4.0, 11.2).mixing
    told(
        "Ca 110 → 260, after 225; 6.1 + 4.0 of 11.2 L",
        "",
        f"share {sampled.share:.3f}, mixing {mixing:.3f}",
        "",
    )


def test_order_plan():
    drawn = np.cumsum([90.0, 120.0, 80.0, 70.0])
    litres = (Pack(1.0, Decimal(1), "1 L"),)
    plan = plan_lots(LitresAhead(drawn, drawn, np.zeros(4), 2.0), [Offer("one", litres, np.full(4, 500.0))])
    lots = ", ".join(f"{lot.litres:.0f} L in week {lot.week + 1}" for lot in plan.lots)
    told("90, 120, 80, 70 L in four weeks", lots, spaced(plan.cost - drawn[-1]))
