"""The records, one file per subject."""

from shop.models.changes import ChangeRecord, ImportRun
from shop.models.depots import ClosedDay, Depot, Season
from shop.models.due import DueLine, Mark, StateChange
from shop.models.fluids import Approval, MixingBan, Product, Requirement, Specification
from shop.models.idempotency import IdempotentAnswer
from shop.models.jobs import Job
from shop.models.learning import CardProposal
from shop.models.measuring import FluidSample, MeasuringTool
from shop.models.orders import KitPart, OrderedLine, Pack, ProposedLine, Supplier
from shop.models.people import Person
from shop.models.readings import Meter, MeterChange, MeterUse, Reading
from shop.models.recalls import Recall, RecallClosing
from shop.models.rules import IntervalRule, RuleVersion, SeverityFactor, TemperatureHours
from shop.models.runs import DailyRun, RunPart
from shop.models.stock import Reservation, StockItem, StockMovement, StoreRoom
from shop.models.supplier_orders import OrderMail, SupplierOrder
from shop.models.tanks import BulkTank, TankDip, TankMark
from shop.models.units import CardFigure, Fitting, LastService, Unit, UnitModel
from shop.models.vehicles import Hold, Vehicle
from shop.models.wastes import CollectionLine, WasteCollection, WasteMovement, WasteTank

__all__ = [
    "Approval",
    "BulkTank",
    "CardFigure",
    "CardProposal",
    "ChangeRecord",
    "ClosedDay",
    "CollectionLine",
    "DailyRun",
    "Depot",
    "DueLine",
    "Fitting",
    "FluidSample",
    "Hold",
    "IdempotentAnswer",
    "ImportRun",
    "IntervalRule",
    "Job",
    "KitPart",
    "LastService",
    "Mark",
    "MeasuringTool",
    "Meter",
    "MeterChange",
    "MeterUse",
    "MixingBan",
    "OrderMail",
    "OrderedLine",
    "Pack",
    "Person",
    "Product",
    "ProposedLine",
    "Reading",
    "Recall",
    "RecallClosing",
    "Requirement",
    "Reservation",
    "RuleVersion",
    "RunPart",
    "Season",
    "SeverityFactor",
    "Specification",
    "StateChange",
    "StockItem",
    "StockMovement",
    "StoreRoom",
    "Supplier",
    "SupplierOrder",
    "TankDip",
    "TankMark",
    "TemperatureHours",
    "Unit",
    "UnitModel",
    "Vehicle",
    "WasteCollection",
    "WasteMovement",
    "WasteTank",
]
