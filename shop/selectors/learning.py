"""What jobs have taught, as far as a person's depots reach."""

from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from shop.models import CardProposal, Person
from shop.selectors.access import depots_of, units_of

DECIDED_ROWS = 20


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


@dataclass(frozen=True, slots=True)
class LearningPage:
    """Proposals that wait for a person, and the newest decided ones."""

    waiting: list[ProposalView]
    decided: list[ProposalView]


def proposals_of(person: Person) -> QuerySet[CardProposal]:
    """Return the proposals for unit models that the person's depots have fitted."""
    models = units_of(person).order_by().values("unit_model")
    return CardProposal.objects.filter(unit_model__in=models).select_related("unit_model", "decided_by")


def proposal_find(person: Person, pk: int) -> CardProposal | None:
    """Return one of the person's proposals, or None."""
    return proposals_of(person).filter(pk=pk).first()


def learning_page(person: Person) -> LearningPage:
    """Return what waits for a decision and what was decided, newest first."""
    depots = set(depots_of(person).values_list("code", flat=True))
    rows = proposals_of(person)
    waiting = rows.filter(state=CardProposal.State.PROPOSED).order_by("unit_model__code", "figure")
    decided = rows.exclude(state=CardProposal.State.PROPOSED).order_by("-decided_at", "-pk")[:DECIDED_ROWS]
    return LearningPage([_view(row, depots) for row in waiting], [_view(row, depots) for row in decided])


def _view(proposal: CardProposal, depots: set[str]) -> ProposalView:
    used, set_aside = proposal.evidence["used"], proposal.evidence["set_aside"]
    own_used = [row for row in used if row["depot"] in depots]
    own_aside = [row for row in set_aside if row["depot"] in depots]
    return ProposalView(
        proposal, own_used, len(used) - len(own_used), own_aside, len(set_aside) - len(own_aside)
    )
