"""Whether the litres filled into units come back as old fluid, month by month, and where to look when not."""

from dataclasses import dataclass

from shop.planning.waste import MassBalance, mass_balance

WORTH_NAMING_SHARE = 0.02
"""Amounts below this share of what was expected are not named as a cause. House default."""


@dataclass(frozen=True, slots=True)
class MonthFigures:
    """What one month's jobs and one container's movements say, litres.

    filled_l: new fluid into units, top-ups included. lost_l: top-ups, which make good what leaked or burnt.
    drained_l: old fluid out of units. silent_jobs: jobs that say no litres on one of the sides. poured_by_jobs_l,
    poured_by_hand_l: booked into the container. dipped_l: put right by dips, dips of them. collected_l: taken away.
    moves: rows behind these.
    """

    filled_l: float = 0.0
    lost_l: float = 0.0
    drained_l: float = 0.0
    silent_jobs: int = 0
    poured_by_jobs_l: float = 0.0
    poured_by_hand_l: float = 0.0
    dipped_l: float = 0.0
    dips: int = 0
    collected_l: float = 0.0
    moves: int = 0

    @property
    def expected_l(self) -> float:
        """Litres that should have come back: filled less lost top-ups."""
        return max(0.0, self.filled_l - self.lost_l)

    @property
    def level_change_l(self) -> float:
        """Litres by which the container's level rose."""
        return self.poured_by_jobs_l + self.poured_by_hand_l + self.dipped_l - self.collected_l

    @property
    def gathered_l(self) -> float | None:
        """Collected plus the rise of the level; None when nothing moved, which says nothing."""
        return self.collected_l + self.level_change_l if self.moves else None


@dataclass(frozen=True, slots=True)
class MonthBalance:
    """One month: the gap of what reached the container, and of what was drained; None where it cannot be said."""

    figures: MonthFigures
    gathered: MassBalance | None
    drained: MassBalance | None
    candidates: tuple[str, ...]
    cannot_say: str

    @property
    def is_to_look_at(self) -> bool:
        """True when one of the gaps passes the limit."""
        return any(gap is not None and gap.is_to_look_at for gap in (self.gathered, self.drained))


def month_balance(figures: MonthFigures) -> MonthBalance:
    """Compare what was filled, less lost top-ups, with what was drained and with what reached the container.

    `gap = expected - (collected + rise of level)`, beyond a tenth either way it is looked at.
    """
    if figures.expected_l == 0:
        return MonthBalance(
            figures, None, None, (), "Nothing was filled but top-ups: a share of nothing is none."
        )
    drained = mass_balance(figures.expected_l, figures.drained_l)
    gathered = None if figures.gathered_l is None else mass_balance(figures.expected_l, figures.gathered_l)
    why = "" if gathered is not None else "Nothing was booked into or out of the container."
    found = MonthBalance(figures, gathered, drained, (), why)
    return MonthBalance(figures, gathered, drained, _candidates(found), why)


def _candidates(month: MonthBalance) -> tuple[str, ...]:
    if not month.is_to_look_at:
        return ()
    own, gap = month.figures, month.gathered
    least_l = WORTH_NAMING_SHARE * own.expected_l
    found = []
    if own.silent_jobs:
        found.append(f"{own.silent_jobs} job{'' if own.silent_jobs == 1 else 's'} without litres in or out")
    if own.drained_l < own.expected_l - least_l:
        found.append(
            f"{own.expected_l - own.drained_l:.0f} L filled more than drained: a first fill or top-up booked as a "
            "service, or a tray not read"
        )
    elif own.drained_l > own.expected_l + least_l:
        found.append(
            f"{own.drained_l - own.expected_l:.0f} L drained more than filled: a fill that was not booked"
        )
    if gap is not None:
        if own.poured_by_jobs_l < own.drained_l - least_l:
            found.append(
                f"{own.drained_l - own.poured_by_jobs_l:.0f} L drained but not booked into this container: poured into "
                "another stream's, or its container was missing"
            )
        if own.dipped_l < -least_l:
            found.append(
                f"{-own.dipped_l:.0f} L gone by dip: a leak, a spill, or the collector took more than his paper says"
            )
        if own.dipped_l > least_l:
            found.append(f"{own.dipped_l:.0f} L too much by dip: water, or another stream poured in")
        if own.poured_by_hand_l > least_l:
            found.append(f"{own.poured_by_hand_l:.0f} L poured in outside jobs")
        if not own.dips:
            found.append("no dip in this month, so the level is only what was booked: dip the container")
    return tuple(found)
