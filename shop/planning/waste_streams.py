"""The streams old fluid is kept apart in, the codes offered for each, and why they never meet."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WasteCode:
    """An entry of the European list of wastes; the star marks a hazardous one."""

    code: str
    words: str


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream with the codes usually asked for and what spoils it."""

    name: str
    codes: tuple[WasteCode, ...]
    keep_apart: str


@dataclass(frozen=True, slots=True)
class Pointer:
    """Where a rule stands; what it means here is for the local code and the licensed carrier to say."""

    where: str
    what: str


_USED_OIL = (
    WasteCode("13 02 05*", "mineral engine, gear and lubricating oils, without chlorine"),
    WasteCode("13 02 06*", "synthetic engine, gear and lubricating oils"),
    WasteCode("13 02 08*", "other engine, gear and lubricating oils"),
    WasteCode("13 01 10*", "mineral hydraulic oils, without chlorine"),
    WasteCode("13 01 11*", "synthetic hydraulic oils"),
    WasteCode("13 01 13*", "other hydraulic oils"),
)
STREAMS = (
    Stream("used oil", _USED_OIL, "Coolant, brake fluid, fuel or cleaner in it makes the whole tank contaminated oil."),
    Stream("coolant", (WasteCode("16 01 14*", "antifreeze with hazardous substances"),),
           "Oil in it stops its recovery."),
    Stream("brake fluid", (WasteCode("16 01 13*", "brake fluids"),),
           "It is glycol: it spoils used oil and coolant alike."),
    Stream("oily filters", (WasteCode("16 01 07*", "oil filters"),),
           "Drained filters only; loose fluid goes to its own stream."),
    Stream("wipes", (WasteCode("15 02 02*", "absorbents, filters, wipes and clothing with hazardous substances"),),
           "Oily wipes heat up by themselves: a closed metal bin, nothing else in it."),
    Stream("contaminated oil", (WasteCode("13 02 08*", "other engine, gear and lubricating oils"),),
           "What is mixed already stays by itself; the collector has it tested and prices it."),
    Stream("biodegradable hydraulic", (WasteCode("13 01 12*", "readily biodegradable hydraulic oils"),),
           "Where the collector asks for it apart; with mineral oil it is used oil."),
)  # fmt: skip
"""House list. Codes: European list of wastes (Commission Decision 2000/532/EC), from memory; the collector confirms."""

STREAM_NAMES = tuple(stream.name for stream in STREAMS)

POINTERS = (
    Pointer("40 CFR 279.22", "US: tanks and containers of used oil in good condition, not leaking, marked “Used Oil”."),
    Pointer("40 CFR 279.10(b)(1)", "US: used oil with 1 000 ppm halogens or more is presumed hazardous."),
    Pointer("40 CFR 279.24", "US: who may carry used oil; small loads of up to 55 US gal of one's own are apart."),
    Pointer("40 CFR 261.4(b)(13)", "US: when a drained oil filter is no hazardous waste."),
    Pointer("40 CFR 112", "US: spill prevention plan above 1 320 US gal above ground."),
    Pointer("2008/98/EC, article 21", "EU: waste oils collected separately, not mixed."),
    Pointer("Oil storage regulations, England", "containers above 200 L stand in a bund."),
)  # fmt: skip
"""Pointers, no advice; the local code decides."""


def stream_of(name: str) -> Stream | None:
    """Return a stream of the house list by its name."""
    return next((stream for stream in STREAMS if stream.name == name), None)


def refusal_to_mix(poured: str, container: str) -> str | None:
    """Say why litres of one stream may not go into another's container; None when both are the same."""
    if poured == container:
        return None
    held = stream_of(container)
    why = held.keep_apart if held else "Streams are kept apart."
    return (
        f"This container takes {container}, not {poured}. {why} Pour it into the {poured} container; "
        "if it is mixed already, into contaminated oil."
    )
