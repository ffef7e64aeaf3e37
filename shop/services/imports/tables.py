"""Every table of a load, in the order they are loaded."""

from shop.services.imports import fleet_tables as fleet
from shop.services.imports import fluid_tables as fluids
from shop.services.imports import house_tables as house
from shop.services.imports import measuring_tables as measuring
from shop.services.imports import recall_tables as recalls
from shop.services.imports import shelf_tables as shelf
from shop.services.imports import tank_tables as tanks
from shop.services.imports.incoming_readings import READINGS

TABLES = (
    house.SEASONS,
    house.DEPOTS,
    house.PEOPLE,
    fluids.SPECIFICATIONS,
    fluids.SUPPLIERS,
    fluids.PRODUCTS,
    fluids.APPROVALS,
    fluids.PACKS,
    house.UNIT_MODELS,
    fluids.MIXING_BANS,
    house.KIT_PARTS,
    house.RULES,
    fleet.VEHICLES,
    fleet.UNITS,
    house.UNIT_CARD,
    fleet.SEVERITY,
    fleet.TEMPERATURE_HOURS,
    fleet.METER_CHANGES,
    READINGS,
    fleet.LAST_SERVICES,
    measuring.TOOLS,
    fleet.JOBS,
    measuring.SAMPLES,
    shelf.ROOMS,
    shelf.STOCK,
    shelf.RESERVATIONS,
    shelf.ORDERED,
    shelf.WASTE_TANKS,
    tanks.TANKS,
    tanks.TANK_MARKS,
    tanks.TANK_DIPS,
    fleet.HOLDS,
    recalls.RECALLS,
    shelf.CLOSED_DAYS,
)
