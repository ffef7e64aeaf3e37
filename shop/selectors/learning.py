"""What jobs have taught, as far as a person's depots reach."""

from dataclasses import dataclass
from typing import Any

from django.db.models import Q, QuerySet

from intervals.exchange import UnitCard
from intervals.exchange.learning import FAR_BELOW, WARNING_ZETA, drain_spread, zeta_score
from shop.models import CardProposal, FluidSample, Job, Person, Unit
from shop.selectors.access import depots_of, jobs_of, units_of
from shop.selectors.learned_drains import FIGURES, drain_seen
from shop.selectors.learned_jobs import factor_to_card, product_of
from shop.selectors.samples import SampleView, sample_view, samples_of

DECIDED_ROWS = 20
SAMPLE_ROWS = 20


@dataclass(frozen=True, slots=True)
class ProposalView:
    """A proposal with its evidence; jobs of depots the person does not see are only counted."""

    proposal: CardProposal
    used: list[dict[str, Any]]
    used_elsewhere: int
    set_aside: list[dict[str, Any]]
    set_aside_elsewhere: int

    @property
    def off_book_share(self) -> float:
        """How far off the book, as a share of it, above or below."""
        return abs(self.proposal.off_book_share)

    @property
    def leaks(self) -> list[dict[str, Any]]:
        """The units whose drain was so low that they may lose fluid."""
        return [row for row in self.set_aside if row["reason"] == FAR_BELOW]


@dataclass(frozen=True, slots=True)
class LearningPage:
    """Proposals and samples that wait for a person, and the newest decided ones."""

    waiting: list[ProposalView]
    samples: list[SampleView]
    decided: list[ProposalView]
    decided_samples: list[SampleView]


@dataclass(frozen=True, slots=True)
class ExpectedGot:
    """One drain of a unit against its card, litres at 20 °C; got_l is None where it cannot be said."""

    job: Job
    expected_l: float
    got_l: float | None
    u_l: float | None
    sentence: str
    may_leak: bool = False

    @property
    def difference_l(self) -> float | None:
        """Litres more, or below zero fewer, than the card says."""
        return None if self.got_l is None else self.got_l - self.expected_l


def proposals_of(person: Person) -> QuerySet[CardProposal]:
    """Return the proposals for unit models that the person's depots have fitted, and for the depots' tools."""
    models = units_of(person).order_by().values("unit_model")
    return CardProposal.objects.filter(
        Q(unit_model__in=models) | Q(tool__depot__in=depots_of(person))
    ).select_related("unit_model", "tool", "decided_by")


def proposal_find(person: Person, pk: int) -> CardProposal | None:
    """Return one of the person's proposals, or None."""
    return proposals_of(person).filter(pk=pk).first()


def learning_page(person: Person) -> LearningPage:
    """Return what waits for a decision and what was decided, newest first."""
    depots = set(depots_of(person).values_list("code", flat=True))
    rows = proposals_of(person)
    waiting = rows.filter(state=CardProposal.State.PROPOSED).order_by(
        "unit_model__code", "tool__code", "figure"
    )
    decided = rows.exclude(state=CardProposal.State.PROPOSED).order_by("-decided_at", "-pk")[:DECIDED_ROWS]
    samples = samples_of(person)
    recorded = samples.filter(state=FluidSample.State.RECORDED).order_by("-taken_on", "-pk")
    settled = samples.exclude(state=FluidSample.State.RECORDED).order_by("-decided_at", "-pk")[:SAMPLE_ROWS]
    return LearningPage(
        [proposal_view(row, depots) for row in waiting],
        [sample_view(row) for row in recorded],
        [proposal_view(row, depots) for row in decided],
        [sample_view(row) for row in settled],
    )


def proposal_view(proposal: CardProposal, depots: set[str]) -> ProposalView:
    """Return a proposal with the evidence of these depots, codes, and the others' counted."""
    used, set_aside = proposal.evidence["used"], proposal.evidence["set_aside"]
    own_used = [row for row in used if row["depot"] in depots]
    own_aside = [row for row in set_aside if row["depot"] in depots]
    return ProposalView(
        proposal, own_used, len(used) - len(own_used), own_aside, len(set_aside) - len(own_aside)
    )


def drains_against_card(person: Person, unit: Unit, card: UnitCard | None) -> list[ExpectedGot]:
    """Return the unit's drains beside what its card expects, the last first; none without a card."""
    if card is None:
        return []
    jobs = (
        jobs_of(person)
        .filter(
            unit=unit, subject="fluid", state=Job.State.HANDED_BACK, kind=Job.Kind.SERVICE, method__in=FIGURES
        )
        .select_related("unit__unit_model__product", "product", "vehicle__depot", "tray", "scale")
        .order_by("-done_on", "-pk")
    )
    rows = [(job, getattr(card, FIGURES[job.method])) for job in jobs]
    return [_against_card(job, card, expected_l) for job, expected_l in rows if expected_l is not None]


def _against_card(job: Job, card: UnitCard, expected_l: float) -> ExpectedGot:
    seen = drain_seen(job, card)
    if seen.seen is None:
        return ExpectedGot(job, expected_l, None, None, f"Cannot say: {seen.why_not}.")
    factor = factor_to_card(product_of(job))
    got_l, u_l = seen.seen.value * factor, seen.seen.sd * factor
    spread = drain_spread(expected_l)
    off_l = got_l - expected_l
    if off_l < -spread.low_by_l:
        words = f"{-off_l:.2f} L less than the card: it may lose fluid, or arrived low. Look for leaks."
        return ExpectedGot(job, expected_l, got_l, u_l, words, may_leak=True)
    zeta = zeta_score(got_l, u_l, expected_l, spread.prior_sd_l)
    words = "as the card says, within what such drains differ"
    if abs(zeta) > WARNING_ZETA:
        words = f"{abs(off_l):.2f} L {'more' if off_l > 0 else 'less'} than the card; weigh the next one"
    return ExpectedGot(job, expected_l, got_l, u_l, f"{words[0].upper()}{words[1:]}.")
