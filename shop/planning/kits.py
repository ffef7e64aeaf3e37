"""Which parts a job takes, by the unit's plug seal, its filter, the method and what was found."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, pi

CRUSH_WASHER = "crush washer"
BONDED_WASHER = "bonded washer"
O_RING = "O-ring"
TAPERED_THREAD = "tapered thread"
REUSABLE_GASKET = "reusable gasket"
SEAL_KINDS = (CRUSH_WASHER, BONDED_WASHER, O_RING, TAPERED_THREAD, REUSABLE_GASKET)

SERVICEABLE = "serviceable"
STRIP_DOWN_ONLY = "strip-down only"
EXTERNAL = "external"
NO_FILTER = "none"
FILTER_KINDS = (SERVICEABLE, STRIP_DOWN_ONLY, EXTERNAL, NO_FILTER)

BEAD_WASTE_FACTOR = 1.3
"""Sealant squeezed out or left in the nozzle, on top of the bead. Common practice, no source."""

_SPARE_WASHER_EVERY = 20
_GASKET_REPLACED_EVERY = 5


@dataclass(frozen=True, slots=True)
class KitLine:
    """One line of a kit as it is kept for a unit model; a condition left empty always holds.

    quantity: in `unit`, per opening when `plug_seal` is set and otherwise per job.
    method: only with this method. plug_seal: only for a plug sealed this way.
    finding: only when this was found. every_nth: only at every n-th service.
    is_filter: the part is the unit's filter.
    """

    part: str
    quantity: float
    unit: str
    method: str | None = None
    plug_seal: str | None = None
    finding: str | None = None
    every_nth: int = 1
    is_filter: bool = False

    def __post_init__(self) -> None:
        """Refuse a line that could never be picked."""
        if not self.quantity > 0 or self.every_nth < 1:
            raise ValueError(
                f"{self.part}: quantity is above 0 and every_nth 1 or more; correct the kit line."
            )
        if self.plug_seal is not None and self.plug_seal not in SEAL_KINDS:
            raise ValueError(
                f"{self.part}: plug seal is one of {', '.join(SEAL_KINDS)}, not {self.plug_seal}."
            )


@dataclass(frozen=True, slots=True)
class KitItem:
    """One part to pick: how much, and why it is in the kit."""

    part: str
    quantity: float
    unit: str
    why: str


def explode_kit(
    lines: Sequence[KitLine],
    method: str,
    plug_seal: str | None,
    filter_kind: str,
    service_number: int,
    findings: Collection[str] = (),
    openings: int = 1,
) -> tuple[KitItem, ...]:
    """Parts one job takes: always, by method, by plug seal, by finding, by every n-th service.

    A washer is never picked for a tapered plug, nor a filter that needs the unit stripped. The same part from
    two lines becomes one item. Follow the maker's data where it asks for other parts.

    lines: the kit of the unit model. plug_seal: one of SEAL_KINDS, or None when not known (no seal is picked
    then; `kit_questions` asks for it). filter_kind: one of FILTER_KINDS. service_number: 1 for the first.
    findings: what was found on this unit. openings: plugs opened and closed by the method.
    Returns items in the order of the lines.
    Raises ValueError for a seal or filter kind outside the lists, or a count below its least.
    """
    _check_kinds(plug_seal, filter_kind)
    if service_number < 1 or openings < 0:
        raise ValueError("The first service is number 1 and openings are 0 or more; correct the job.")
    items: dict[tuple[str, str], KitItem] = {}
    for line in lines:
        quantity = line.quantity * (openings if line.plug_seal else 1)
        why = _why(line, method, plug_seal, filter_kind, service_number, findings)
        if why is None or quantity == 0:
            continue
        key = (line.part, line.unit)
        before = items.get(key)
        if before is not None:
            quantity += before.quantity
            why = f"{before.why}; {why}"
        items[key] = KitItem(line.part, quantity, line.unit, why)
    return tuple(items.values())


def kit_questions(lines: Sequence[KitLine], plug_seal: str | None, filter_kind: str) -> tuple[str, ...]:
    """What a kit still lacks, as questions for whoever keeps the unit card.

    A filter that needs the unit stripped is never asked for. Raises ValueError for a kind outside the lists.
    """
    _check_kinds(plug_seal, filter_kind)
    questions = []
    if plug_seal is None:
        questions.append("How is the plug sealed? Enter it on the unit card.")
    elif not any(line.plug_seal == plug_seal for line in lines):
        questions.append(f"Which part seals the plug ({plug_seal})? Add a kit line for it.")
    if filter_kind in (SERVICEABLE, EXTERNAL) and not any(line.is_filter for line in lines):
        questions.append(f"Which part is the filter ({filter_kind})? Add a kit line for it.")
    return tuple(questions)


def seals_to_have(plug_seal: str, openings: int) -> int:
    """Seals to have for a number of openings, pooled over jobs; sealant for tapered threads is no seal.

    Crush washer 1 per opening and 1 spare for each 20 begun; bonded washer or O-ring 1 per opening; reusable
    gasket is inspected and 1 in 5 replaced (common practice, no source).

    plug_seal: one of SEAL_KINDS. openings: plug openings planned.
    Raises ValueError for another kind or openings below zero.
    """
    _check_kinds(plug_seal, NO_FILTER)
    if openings < 0:
        raise ValueError("Openings are 0 or more; correct the plan.")
    if plug_seal == TAPERED_THREAD:
        return 0
    if plug_seal == REUSABLE_GASKET:
        return ceil(openings / _GASKET_REPLACED_EVERY)
    spares = ceil(openings / _SPARE_WASHER_EVERY) if plug_seal == CRUSH_WASHER else 0
    return openings + spares


def bead_ml(length_mm: float, bead_diameter_mm: float, waste_factor: float = 1.0) -> float:
    """Sealant in a round bead: `pi/4 * d^2 * length / 1000`, in mL (volume of a cylinder), times a waste
    factor.

    length_mm: length of the bead. bead_diameter_mm: its diameter. waste_factor: 1 or more, see
    BEAD_WASTE_FACTOR. Raises ValueError for a length or diameter that is not above zero or a factor below 1.
    """
    if not (length_mm > 0 and bead_diameter_mm > 0 and waste_factor >= 1):
        raise ValueError(
            "Bead length and diameter are above 0 mm and the waste factor is 1 or more; correct them."
        )
    return pi / 4 * bead_diameter_mm**2 * length_mm / 1000 * waste_factor


def plug_bead_ml(
    plug_diameter_mm: float, turns: float = 2.0, bead_diameter_mm: float = 2.0, waste_factor: float = 1.0
) -> float:
    """Sealant for a plug thread, in mL: a bead of `turns` times the plug's circumference.

    plug_diameter_mm: thread diameter. The rest as in `bead_ml`.
    """
    return bead_ml(pi * plug_diameter_mm * turns, bead_diameter_mm, waste_factor)


def resolve_forward(part: str, replaced_by: Mapping[str, str]) -> str:
    """Newest number of a part, following replacements forward only; a newer part never stands in for an older
    one.

    part: number on the kit line. replaced_by: older number to newer number.
    Raises ValueError when the chain comes back to a number already passed.
    """
    seen = [part]
    while (newer := replaced_by.get(seen[-1])) is not None:
        if newer in seen:
            raise ValueError(f"{part}: the replacements run in a circle at {newer}; correct one of them.")
        seen.append(newer)
    return seen[-1]


def _why(
    line: KitLine,
    method: str,
    plug_seal: str | None,
    filter_kind: str,
    service_number: int,
    findings: Collection[str],
) -> str | None:
    """Reason for picking the line, or None when one of its conditions does not hold."""
    conditions = (
        (line.method is None, line.method == method, f"method {line.method}"),
        (line.plug_seal is None, line.plug_seal == plug_seal, f"plug seal {line.plug_seal}"),
        (not line.is_filter, filter_kind in (SERVICEABLE, EXTERNAL), f"filter {filter_kind}"),
        (line.finding is None, line.finding in findings, f"found: {line.finding}"),
        (
            line.every_nth == 1,
            service_number % line.every_nth == 0,
            f"service {service_number}, one in {line.every_nth}",
        ),
    )
    if any(not is_free and not holds for is_free, holds, _ in conditions):
        return None
    return ", ".join(text for is_free, _, text in conditions if not is_free) or "always"


def _check_kinds(plug_seal: str | None, filter_kind: str) -> None:
    if plug_seal is not None and plug_seal not in SEAL_KINDS:
        raise ValueError(
            f"Plug seal is one of {', '.join(SEAL_KINDS)}, not {plug_seal}; correct the unit card."
        )
    if filter_kind not in FILTER_KINDS:
        raise ValueError(
            f"Filter is one of {', '.join(FILTER_KINDS)}, not {filter_kind}; correct the unit card."
        )
