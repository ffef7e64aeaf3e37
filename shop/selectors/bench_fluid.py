"""What the bench says of fluids that are no oil: the strength sum of a coolant, what a brake fluid is judged by."""

from dataclasses import dataclass, replace

from intervals.errors import HatchmarkError
from intervals.exchange.coolant import CAUTIONS, CoolantMix, strength_after, strength_mix
from intervals.exchange.fluid_kinds import (
    BRAKE_FLUID,
    BRAKE_FLUID_GRADES,
    COOLANT,
    FLUID_KINDS,
    OIL,
    WET_WATER_SHARE_BY_WEIGHT,
    BrakeFluidGrade,
    FluidKind,
)
from shop.models import Product
from shop.selectors.bench_request import BenchRefused, Fluid, Measures

READY_MIX_SHARE = 0.5
"""Strength of a ready mix, by volume (ASTM D3306 types III and IV)."""
ASK_STRENGTH = "Type the strength found and the strength wanted under “Measured today” for the coolant's sum."


@dataclass(frozen=True, slots=True)
class StrengthShown:
    """Concentrate and water to pour, and what filling up with a ready mix would reach."""

    cannot_say: str = ""
    mix: CoolantMix | None = None
    drained_l: float | None = None
    found_share: float | None = None
    wanted_share: float | None = None
    with_ready_mix_share: float | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FluidShown:
    """The fluid on the bench: its kind, its figures, and which of them are typical because none was given."""

    kind: str
    density_kg_m3: float
    kv40_mm2_s: float
    kv100_mm2_s: float
    defaults: tuple[str, ...]
    volume_source: str
    grades: tuple[BrakeFluidGrade, ...] = ()
    wet_water_pct: float | None = None
    product: str = ""
    must_not: str = ""


def products_offered(most: int) -> list[tuple[str, str]]:
    """Return codes and names of the fluids on record."""
    return list(Product.objects.order_by("code").values_list("code", "name")[:most])


def product_named(code: str) -> Product | None:
    """Return the fluid of that code, None for no code; raises BenchRefused for one that is not on record."""
    if not code:
        return None
    product = Product.objects.filter(code=code).first()
    if product is None:
        raise BenchRefused(
            [(("product",), f"There is no fluid “{code}” on record; see the stock page for the codes.")]
        )
    return product


def fluid_of(typed: Fluid, product: Product | None, usual_kind: str) -> Fluid:
    """Return the fluid to calculate with: what was typed goes before the product's figures."""
    if product is None:
        return replace(typed, kind=typed.kind or usual_kind)
    return replace(
        typed,
        kind=typed.kind or product.family,
        density_kg_m3=typed.density_kg_m3 or product.density15_kg_m3,
        kv40_mm2_s=typed.kv40_mm2_s or product.kv40_mm2_s,
        kv100_mm2_s=typed.kv100_mm2_s or product.kv100_mm2_s,
    )


def fluid_shown(fluid: Fluid, product: str = "", must_not: str = "") -> FluidShown:
    """Return the figures in use; what was not given is the kind's typical one, and named as such.

    product: the fluid on record, in words. must_not: why it must not go into the unit.
    """
    kind: FluidKind = FLUID_KINDS[fluid.kind or OIL]
    given = {
        "density": (fluid.density_kg_m3, kind.density15_kg_m3),
        "viscosity at 40 °C": (fluid.kv40_mm2_s, kind.kv40_mm2_s),
        "viscosity at 100 °C": (fluid.kv100_mm2_s, kind.kv100_mm2_s),
    }
    figures = [typical if own is None else own for own, typical in given.values()]
    is_brake = kind.name == BRAKE_FLUID
    return FluidShown(
        kind.name, *figures, tuple(name for name, (own, _) in given.items() if own is None), kind.volume_source,
        tuple(BRAKE_FLUID_GRADES.values()) if is_brake else (),
        100.0 * WET_WATER_SHARE_BY_WEIGHT if is_brake else None, product, must_not,
    )  # fmt: skip


def strength_shown(
    fluid: Fluid, measures: Measures, total_l: float, drained_l: float | None
) -> StrengthShown:
    """Return the strength sum of a coolant; a measured tray goes before the plan's drain."""
    if fluid.kind != COOLANT:
        return StrengthShown()
    if measures.strength_found_pct is None or measures.strength_wanted_pct is None:
        return StrengthShown(ASK_STRENGTH, cautions=CAUTIONS)
    out_l = drained_l if measures.tray_l is None else measures.tray_l
    if out_l is None:
        return StrengthShown(
            "Cannot say: how much came out is not known; type what is in the tray.", cautions=CAUTIONS
        )
    found, wanted = measures.strength_found_pct / 100.0, measures.strength_wanted_pct / 100.0
    try:
        mix = strength_mix(total_l, out_l, found, wanted)
        ready = strength_after(total_l, out_l, found, READY_MIX_SHARE)
    except HatchmarkError as error:
        return StrengthShown(str(error), cautions=CAUTIONS)
    return StrengthShown("", mix, out_l, found, wanted, ready, CAUTIONS)
