"""Time exchange plans for many random units against planning them one by one."""

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass
from decimal import Decimal

import numpy as np
from django.core.management.base import BaseCommand, CommandError

from intervals.exchange import (
    COOLER_LINE,
    DRAIN,
    MACHINE,
    OPTIONS,
    OVERNIGHT,
    ExchangePlans,
    MethodPlan,
    PlanTable,
    UnitCard,
    plan_exchange,
    plan_many,
)
from shop.planning.pack_table import PackTable
from shop.planning.packs import Pack, choose_packs

SAMPLE = 200
SHARE_TOLERANCE = 1e-9
PRICES = (("1", "9.50"), ("5", "41.00"), ("20", "148.00"), ("60", "414.00"), ("208", "1290.00"))
PACKS = tuple(Pack(float(size), Decimal(price), f"{size} L") for size, price in PRICES)


@dataclass(frozen=True, slots=True)
class Result:
    """What the benchmark found, in seconds of the processor; those one by one are the sample's, scaled to all plans."""

    plans: int
    seconds: float
    plans_per_s: float
    packs_seconds: float
    one_by_one_seconds: float
    ratio: float
    sample: int
    disagreeing: int
    largest_share_difference: float


class Command(BaseCommand):
    """`manage.py exchange_benchmark [--plans N] [--json]`: exit code 1 when batch and one-by-one disagree."""

    help = (
        "Plan the exchange of many random units at once (method, litres, stages, packs), time it, and compare "
        "a sample with the plans made one by one."
    )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Take how many plans, and how to print."""
        parser.add_argument("--plans", type=int, default=10_000, help="units to plan (default 10000)")
        parser.add_argument("--sample", type=int, default=SAMPLE, help="units also planned one by one")
        parser.add_argument("--seed", type=int, default=1, help="seed of the random units")
        parser.add_argument("--json", action="store_true", help="print the result as JSON")

    def handle(self, *args: object, **options: object) -> None:
        """Run, print, and leave with 1 on a disagreement."""
        count, sample, seed = (int(str(options[name])) for name in ("plans", "sample", "seed"))
        if count < 1 or sample < 1:
            raise CommandError("Plans and sample must be 1 or more.")
        result = run(count, min(sample, count), seed)
        if options["json"]:
            self.stdout.write(json.dumps(asdict(result)))
        else:
            self.stdout.write(
                f"{result.plans} plans in {result.seconds:.2f} s of the processor ({result.plans_per_s:.0f} plans/s), "
                f"{result.packs_seconds:.2f} s of it for the packs\n"
                f"one by one: {result.one_by_one_seconds:.1f} s, scaled from {result.sample} plans; "
                f"ratio {result.ratio:.1f}\n"
                f"disagreeing: {result.disagreeing} of {result.sample}; "
                f"largest difference of a share {result.largest_share_difference:.1e}"
            )
        if result.disagreeing:
            sys.exit(1)


def run(count: int, sample: int, seed: int) -> Result:
    """Time `count` plans at once and `sample` of them one by one."""
    rng = np.random.default_rng(seed)
    cards = [random_card(rng) for _ in range(count)]
    methods = [DRAIN, OVERNIGHT, COOLER_LINE, MACHINE]
    allowed = [[name for name in methods if rng.random() < 0.75] or methods for _ in cards]
    targets = rng.uniform(0.5, 0.9, count)
    begin = time.process_time()
    table = plan_many(cards, allowed, targets)
    planned = time.process_time()
    packs = PackTable(PACKS)
    prices = packs.prices(table.reserve_l)
    end = time.process_time()
    plans = [plan_exchange(cards[i], allowed[i], float(targets[i])) for i in range(sample)]
    choices = [choose_packs(_reserve_l(plan), PACKS) for plan in plans]
    one_by_one_s = (time.process_time() - end) * count / sample
    agree = [
        agrees(table, i, plans[i]) and (not choices[i].packs or prices[i] == float(choices[i].price))
        for i in range(sample)
    ]
    differences = [share_difference(table, i, plans[i].best) for i in range(sample)]
    seconds = end - begin
    return Result(
        count, seconds, count / seconds, end - planned, one_by_one_s, one_by_one_s / seconds, sample,
        agree.count(False), max(differences),
    )  # fmt: skip


def agrees(table: PlanTable, row: int, plans: ExchangePlans) -> bool:
    """Whether one row says what the plans of that unit say: options, stages and litres exactly."""
    best = plans.best
    if _place(table.best[row]) != _option(best) or _place(table.runner_up[row]) != _option(plans.runner_up):
        return False
    if best is None:
        return bool(np.isnan(table.new_fluid_l[row]))
    mine = (table.drained_l[row], table.pushed_l[row], table.new_fluid_l[row], table.reserve_l[row])
    theirs = (best.drained_l, best.pushed_l, best.new_fluid_l, best.total_to_reserve_l)
    is_same = mine == theirs and table.stages[row] == len(best.stages) and table.drains[row] == best.drains
    return bool(is_same and share_difference(table, row, best) <= SHARE_TOLERANCE)


def share_difference(table: PlanTable, row: int, best: MethodPlan | None) -> float:
    """Largest difference of the best and the cautious share; 0 where there is no plan."""
    if best is None or best.fresh_share is None or best.fresh_share_low is None:
        return 0.0
    shares = table.fresh_share[row] - best.fresh_share, table.fresh_share_low[row] - best.fresh_share_low
    return float(np.abs(shares).max())


def random_card(rng: np.random.Generator) -> UnitCard:
    """A gearbox that could exist: parts of 2 to 7 L, a pickup well inside the sump."""
    sump_l, converter_l, passages_l = rng.uniform(2.5, 7.0), rng.uniform(1.5, 5.0), rng.uniform(1.5, 5.0)
    cooler_l, heel_l = rng.uniform(0.3, 1.5), rng.uniform(0.2, 0.6)
    back_c, back_g = rng.uniform(0.0, 0.4) * converter_l, rng.uniform(0.0, 0.6) * passages_l
    return UnitCard(
        total_fill_l=sump_l + converter_l + cooler_l + passages_l,
        quick_drain_l=sump_l - heel_l,
        overnight_drain_l=sump_l - heel_l + back_c + back_g,
        sump_l=sump_l,
        converter_l=converter_l,
        cooler_l=cooler_l,
        passages_l=passages_l,
        heel_l=heel_l,
        converter_drainback_l=back_c,
        passages_drainback_l=back_g,
        pickup_l=sump_l * rng.uniform(0.25, 0.45),
        swirl_l=0.3,
        turnover=rng.uniform(0.0, 4.0),
        bleed=rng.uniform(0.0, 0.5),
        cooler_flow_l_min=rng.uniform(1.5, 5.0),
    )


def _place(place: int) -> tuple[str, str] | None:
    return OPTIONS[place] if place >= 0 else None


def _option(plan: MethodPlan | None) -> tuple[str, str] | None:
    return None if plan is None else (plan.method, plan.start)


def _reserve_l(plans: ExchangePlans) -> float:
    best = plans.best
    return float("nan") if best is None or best.total_to_reserve_l is None else best.total_to_reserve_l
