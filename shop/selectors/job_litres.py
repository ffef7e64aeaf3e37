"""Litres of a job at the temperature of the unit card, how sure they are, and the range of the share they left."""

from dataclasses import dataclass
from functools import lru_cache

from intervals.errors import HatchmarkError, QuantityError
from intervals.exchange import litres_from_kg
from intervals.exchange.card import UnitCard
from intervals.exchange.fluid_kinds import FLUID_KINDS, litres_at_base
from intervals.exchange.plan_spread import JUG_LIMIT_SHARE, TRAY_LIMIT_SHARE
from intervals.exchange.propagation import COVERAGE, Spread, Uncertainty
from intervals.exchange.spread import done_spread, share_percent
from shop.models import Job, Product
from shop.selectors.exchange import card_from, figures_in_force, learned_sds
from shop.selectors.fluids import density_in_unit, table_strength
from shop.selectors.learned_jobs import product_of

WEIGHED_AT_C = 15.0
"""A weight divided by the density at 15 °C gives litres at that temperature."""

SCALE_LIMIT_SHARE = 0.01
"""How far a weight is off at most. Common practice, no source."""

UNTAKEN_LIMIT_SHARE = 0.04
"""Old fluid read without its temperature may be this much less at 20 °C: oil at 70 °C shrinks by 3.7 % (API MPMS
11.1)."""

_OLD, _NEW = (TRAY_LIMIT_SHARE, UNTAKEN_LIMIT_SHARE), (JUG_LIMIT_SHARE, 0.0)


@dataclass(frozen=True, slots=True)
class JobShare:
    """The fresh share a job left with its range, and the range in one sentence."""

    spread: Spread
    sentence: str


def litres_at_card(
    product: Product,
    litres: float | None,
    kilograms: float | None,
    temp_c: float | None,
    strength_share: float | None = None,
) -> float:
    """Return litres at 20 °C; a weight beats a reading, a reading without a temperature is taken as read.

    strength_share: glycol share by volume of a coolant; None is the usual half and half. Raises QuantityError where
    neither litres nor kilograms are given or a figure lies outside its law.
    """
    density = density_in_unit(product, strength_share).value
    if kilograms is not None:
        litres, temp_c = litres_from_kg(kilograms, density), WEIGHED_AT_C
    if litres is None:
        raise QuantityError("Neither litres nor kilograms are given; write one of them.")
    if temp_c is None:
        return litres
    return litres_at_base(product.family, litres, temp_c, table_strength(strength_share), density)


def shares_of_jobs(jobs: list[Job]) -> dict[int, JobShare]:
    """Return the range of the fresh share of each job that has one and whose litres were measured, by its key.

    The jobs carry their unit with its model and product, and their own product.
    """
    units = list({job.unit_id: job.unit for job in jobs}.values())
    figures = figures_in_force(units)
    learned = learned_sds(units, figures)
    found = {}
    for job in jobs:
        try:
            card = card_from(job.unit.unit_model, figures[job.unit_id])
            share = _share_of(job, card, tuple(sorted(learned.get(job.unit.unit_model_id, {}).items())))
        except HatchmarkError:
            # A card that is unfinished or was corrected since cannot say how sure the old figure was.
            continue
        if share is not None:
            found[job.pk] = share
    return found


def _share_of(job: Job, card: UnitCard, learned: tuple[tuple[str, float], ...]) -> JobShare | None:
    product = product_of(job)
    if job.fresh_share is None or product is None or not job.method:
        return None
    sides = [
        side
        for side in (
            _side(product, job.out_l, job.out_kg, job.out_temp_c, job.strength_found_share, _OLD),
            _side(product, job.in_l, job.in_kg, job.in_temp_c, job.strength_left_share, _NEW),
        )
        if side is not None
    ]
    if not sides:
        return None
    litres, limit_share, how = min(sides)
    spread = _spread(card, job.method, litres, limit_share, learned)
    low, high = min(spread.low, job.fresh_share), max(spread.high, job.fresh_share)
    sentence = (
        f"{share_percent(low)} to {share_percent(high)} in {COVERAGE * 100:.0f} of 100 such jobs: {litres:.1f} L {how} "
        f"within {limit_share:.0%}, total fill and mixing as sure as the unit card."
    )
    return JobShare(Spread(job.fresh_share, spread.sd, low, high, spread.parts), sentence)


def _side(
    product: Product,
    litres: float | None,
    kilograms: float | None,
    temp_c: float | None,
    strength_share: float | None,
    limits: tuple[float, float],
) -> tuple[float, float, str] | None:
    """Return litres at 20 °C, how far they may be off as a share, and how they were taken; None if not measured."""
    if litres is None and kilograms is None:
        return None
    at_card_l = litres_at_card(product, litres, kilograms, temp_c, strength_share)
    limit_share, untaken_share = limits
    if kilograms is not None:
        kind = FLUID_KINDS[product.family]
        is_default = density_in_unit(product, strength_share).is_default
        unsure = kind.density_limit_kg_m3 / kind.density15_kg_m3 if is_default else 0.0
        return at_card_l, SCALE_LIMIT_SHARE + unsure, "weighed"
    if temp_c is None:
        return at_card_l, limit_share + untaken_share, "read without a temperature"
    return at_card_l, limit_share, "read with its temperature"


@lru_cache(maxsize=2048)
def _spread(
    card: UnitCard, title: str, litres: float, limit_share: float, learned: tuple[tuple[str, float], ...]
) -> Spread:
    in_force = {name: sd for name, sd in learned if card.sources.get(name) == "learned"}
    return done_spread(card, title, litres, Uncertainty(limit_share * litres), in_force)
