"""Time an order plan of many made-up fluids, beside a general solver on a few of them."""

import argparse
import json
import time
from dataclasses import asdict, dataclass
from decimal import Decimal

import numpy as np
from django.core.management.base import BaseCommand, CommandError
from scipy.optimize import Bounds, LinearConstraint, milp

from shop.planning.exact_totals import Pack
from shop.planning.lot_sizing import LitresAhead, Offer, plan_lots
from shop.planning.order_plan import FluidAhead, Source, plan_orders
from shop.planning.steps import finished

PRICES = (
    (("1", "10.40"), ("5", "44"), ("20", "158"), ("60", "429"), ("208", "1340")),
    (("20", "190"), ("208", "1720")),
    (("5", "62"), ("20", "210")),
    (("20", "92"), ("208", "886")),
)
LIST = tuple(tuple(Pack(float(size), Decimal(price), f"{size} L") for size, price in own) for own in PRICES)
SOURCES = (
    Source("first", 1, order_cost=15.0, freight=25.0, free_freight_from=400.0, least_l=40.0),
    Source("second", 1, order_cost=15.0),
)
SOLVED_FLUIDS, SOLVED_WEEKS, SOLVER_SECONDS = 5, 12, 20.0


@dataclass(frozen=True, slots=True)
class Result:
    """What the benchmark found, in seconds of the processor.

    solver_ratio: the solver's time for a fluid to ours, on the same small fluids.
    """

    fluids: int
    weeks: int
    seconds: float
    orders: int
    spent: float
    gap_share: float
    solver_fluids: int
    solver_seconds: float
    exact_seconds: float
    solver_ratio: float
    largest_difference: float


class Command(BaseCommand):
    """`manage.py order_plan_benchmark [--fluids N] [--weeks T] [--json]`."""

    help = (
        "Plan the orders of many made-up fluids from two suppliers over some weeks, and time it; then time single "
        "fluids over twelve weeks beside a general mixed-integer solver, whose optimum must be the same."
    )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Take the size and how to print."""
        parser.add_argument("--fluids", type=int, default=60, help="fluids to plan (default 60)")
        parser.add_argument("--weeks", type=int, default=52, help="weeks ahead (default 52)")
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    def handle(self, *args: object, **options: object) -> None:
        """Measure and print."""
        fluids, weeks = int(str(options["fluids"])), int(str(options["weeks"]))
        if fluids < 1 or weeks < 2:
            raise CommandError("Give at least one fluid and two weeks, e.g. --fluids 60 --weeks 52.")
        found = asdict(measure(fluids, weeks))
        if options["json"]:
            self.stdout.write(json.dumps(found, indent=2))
            return
        for name, value in found.items():
            self.stdout.write(f"{name:20}{value:>14.4g}")


def measure(fluids: int, weeks: int) -> Result:
    """Plan made-up fluids of about 1,500 L a year each, and a few of them apart beside the solver."""
    rng = np.random.default_rng(1)
    made = [_fluid(place, weeks, rng) for place in range(fluids)]
    begun = time.process_time()
    plan = finished(plan_orders(made, SOURCES))
    seconds = time.process_time() - begun
    small = [_fluid(place, SOLVED_WEEKS, rng) for place in range(SOLVED_FLUIDS)]
    by_solver, by_us, differences = 0.0, 0.0, [0.0]
    for fluid in small:
        costs = np.full(SOLVED_WEEKS, 15.0)
        begun = time.process_time()
        exact = plan_lots(fluid.ahead, [Offer("first", fluid.packs[0], costs)])
        by_us += time.process_time() - begun
        begun = time.process_time()
        least = _solved(fluid.ahead, fluid.packs[0], 15.0)
        by_solver += time.process_time() - begun
        if exact is not None and least is not None:
            differences.append(abs(exact.cost - least))
    return Result(
        fluids, weeks, seconds, len(plan.orders), plan.spent, plan.gap, len(small), by_solver, by_us,
        by_solver / by_us, max(differences),
    )  # fmt: skip


def _fluid(place: int, weeks: int, rng: np.random.Generator) -> FluidAhead:
    yearly_l = rng.gamma(1.0, 1_500.0)
    drawn = np.cumsum(rng.gamma(1.0, yearly_l / 52.0, weeks))
    guard_l = 1.645 * np.sqrt(yearly_l / 52.0 * 4.0 * 10.0)
    packs = LIST[place % len(LIST)]
    dearer = tuple(Pack(own.size_l, own.price * Decimal("1.12"), own.label) for own in packs[:2])
    ahead = LitresAhead(drawn + guard_l, drawn, np.full(weeks, yearly_l / 8.0), 0.02)
    return FluidAhead(f"F{place:03}", ahead, {0: packs, 1: dearer})


def _solved(ahead: LitresAhead, packs: tuple[Pack, ...], order_cost: float) -> float | None:
    """Return the solver's least cost of one fluid: whole packs by week, an order or none, cost of keeping."""
    weeks, sizes = len(ahead.drawn_l), np.array([pack.size_l for pack in packs])
    bought = np.kron(np.tril(np.ones((weeks, weeks))), sizes)
    limits = np.hstack([np.kron(np.eye(weeks), np.ones(len(sizes))), -1_000.0 * np.eye(weeks)])
    keeping = ahead.holding_per_l_week * np.arange(weeks, 0, -1)
    price = np.array([float(pack.price) for pack in packs])
    cost = np.concatenate(
        [(price[None, :] + keeping[:, None] * sizes[None, :]).ravel(), np.full(weeks, order_cost)]
    )
    found = milp(
        cost,
        constraints=[
            LinearConstraint(
                np.hstack([bought, np.zeros((weeks, weeks))]), ahead.required_l - ahead.at_hand_l, np.inf
            ),
            LinearConstraint(limits, -np.inf, 0.0),
        ],
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, np.concatenate([np.full(weeks * len(sizes), np.inf), np.ones(weeks)])),
        options={"time_limit": SOLVER_SECONDS, "mip_rel_gap": 0.0},
    )
    if found.status != 0:
        return None
    base = ahead.holding_per_l_week * float((ahead.at_hand_l - ahead.drawn_l).sum())
    return float(found.fun) + base
