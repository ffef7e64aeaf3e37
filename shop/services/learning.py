"""Learning from closed jobs: drains are gathered, card changes proposed, and a person accepts or declines them."""

import datetime
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from django.db import transaction

from intervals.errors import HatchmarkError
from intervals.exchange.learning import LEAST_OBSERVATIONS, Learned, drain_spread, shrink
from shop import clock
from shop.errors import ConflictError, NotAllowed
from shop.models import CardFigure, CardProposal, ChangeRecord, Person, UnitModel
from shop.selectors.exchange import card_from
from shop.services.changes import change_note, changes_write
from shop.services.learning_drains import Drain, drains_by_figure, factor_to_card

PROPOSED, UPDATED, UNCHANGED, WITHDRAWN = "proposed", "updated", "unchanged", "withdrawn"
AGREES, TOO_FEW, TOO_VAGUE, NO_BOOK, DECLINED = (
    "agrees with the card", "too few jobs", "too uncertain", "no figure on the card", "declined before",
)  # fmt: skip

LEAST_CHANGE_SHARE = 0.01
"""A smaller difference from the card is not worth a person's decision. House default."""


@dataclass(frozen=True, slots=True)
class LearnLine:
    """What the jobs say about one figure of one unit model, and what became of it.

    Attributes:
        outcome: one of the words above.
        value_l, sd_l: learned, L at 15 °C; None without a figure to start from.
        card_value_l: the same at 20 °C. book_l, held_l: what learning started from; what the card says, L at 20 °C.
        n: jobs learned from. off_book_share: (learned - book)/book. ask_a_person: it is more than 15 % off.
        used, set_aside: the jobs, as in the evidence of a proposal.
    """

    unit_model: str
    figure: str
    outcome: str
    n: int
    value_l: float | None = None
    sd_l: float | None = None
    card_value_l: float | None = None
    book_l: float | None = None
    held_l: float | None = None
    off_book_share: float | None = None
    ask_a_person: bool = False
    used: tuple[dict[str, object], ...] = ()
    set_aside: tuple[dict[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class LearnReport:
    """What one run learned, a line per unit model and figure."""

    as_of: datetime.date
    lines: tuple[LearnLine, ...]

    def as_data(self) -> dict[str, object]:
        """Return the report as JSON can hold it."""
        return {"as_of": self.as_of.isoformat(), "lines": [asdict(line) for line in self.lines]}


def learn_refit(as_of: datetime.date) -> LearnReport:
    """Learn from all jobs closed up to a day and propose what should change on the unit cards.

    The same jobs propose nothing new, and what a person declined stays declined until there are other jobs. An open
    proposal that later jobs no longer bear out is withdrawn.
    """
    with transaction.atomic():
        # Two runs at once: the second waits and then finds the first one's proposals.
        models = {
            model.pk: model
            for model in UnitModel.objects.select_for_update(of=("self",))
            .select_related("product")
            .order_by("pk")
        }
        groups = drains_by_figure(as_of)
        held = {
            (own.unit_model_id, own.figure): own for own in CardFigure.objects.filter(unit_model__in=models)
        }
        earlier: dict[tuple[int, str], list[CardProposal]] = defaultdict(list)
        for proposal in CardProposal.objects.select_related("unit_model").order_by("-pk"):
            earlier[proposal.unit_model_id, proposal.figure].append(proposal)
        notes: list[ChangeRecord] = []
        lines = [
            _line(as_of, models[key[0]], key[1], groups.get(key, []), held.get(key), earlier[key], notes)
            for key in sorted(
                groups.keys() | {key for key, rows in earlier.items() if _open(rows) is not None},
                key=lambda key: (models[key[0]].code, key[1]),
            )
        ]
        changes_write(notes)
    return LearnReport(as_of, tuple(lines))


def _line(
    as_of: datetime.date,
    model: UnitModel,
    figure: str,
    drains: list[Drain],
    held: CardFigure | None,
    earlier: list[CardProposal],
    notes: list[ChangeRecord],
) -> LearnLine:
    """Learn one figure and keep, update or withdraw its proposal."""
    if held is None or not held.value > 0:
        return LearnLine(model.code, figure, _withdraw(earlier, notes) or NO_BOOK, 0)
    book_l, book_source = _book(held, earlier)
    learned = _learn(model, book_l, drains)
    evidence = _evidence(drains, learned)
    card_value_l = learned.mean * factor_to_card(model.product)
    values = {
        "value": learned.mean, "sd": learned.sd, "n": learned.n, "card_value": card_value_l, "book_value": book_l,
        "book_source": book_source, "held_value": held.value, "evidence": evidence,
    }  # fmt: skip
    outcome = _why_not_now(learned, book_l, held.value, card_value_l, evidence, earlier)
    if outcome:
        outcome = _withdraw(earlier, notes) or outcome
    else:
        outcome = _propose(as_of, model, figure, values, earlier, notes)
    shown = CardProposal(unit_model=model, figure=figure, **values)
    return LearnLine(
        model.code, figure, outcome, learned.n, learned.mean, learned.sd, card_value_l, book_l, held.value,
        shown.off_book_share, shown.is_far_from_book, tuple(evidence["used"]), tuple(evidence["set_aside"]),
    )  # fmt: skip


def _book(held: CardFigure, earlier: list[CardProposal]) -> tuple[float, str]:
    """Return what learning starts from: never a figure that the same jobs have already taught."""
    if held.source == "learned":
        for proposal in earlier:
            if proposal.state == CardProposal.State.ACCEPTED:
                return proposal.book_value, proposal.book_source
    return held.value, held.source


def _learn(model: UnitModel, book_l: float, drains: list[Drain]) -> Learned:
    prior_l = book_l / factor_to_card(model.product)
    spread = drain_spread(prior_l)
    seen = [drain.litres_15c for drain in drains if drain.litres_15c is not None]
    return shrink(prior_l, spread.prior_sd_l, seen, spread.sd_l, spread.least_mad_l, spread.low_by_l)


def _evidence(drains: list[Drain], learned: Learned) -> dict[str, list[dict[str, object]]]:
    measured = [drain for drain in drains if drain.litres_15c is not None]
    odd = {one.place: one.reason for one in learned.set_aside}
    used = [_row(drain) for place, drain in enumerate(measured) if place not in odd]
    aside = [_row(drain) | {"reason": odd[place]} for place, drain in enumerate(measured) if place in odd]
    aside += [_row(drain) | {"reason": drain.why_not} for drain in drains if drain.litres_15c is None]
    return {"used": used, "set_aside": aside}


def _row(drain: Drain) -> dict[str, object]:
    return {
        "job": drain.job, "unit": drain.unit, "depot": drain.depot, "done_on": drain.done_on.isoformat(),
        "litres_15c": drain.litres_15c, "measured_by": drain.measured_by,
    }  # fmt: skip


def _why_not_now(
    learned: Learned,
    book_l: float,
    held_l: float,
    card_value_l: float,
    evidence: dict[str, list[dict[str, object]]],
    earlier: list[CardProposal],
) -> str:
    """Return why there is nothing to propose, or an empty text."""
    if learned.n < LEAST_OBSERVATIONS:
        return TOO_FEW
    if learned.sd >= drain_spread(book_l).most_sd_l:
        return TOO_VAGUE
    if abs(card_value_l - held_l) <= max(LEAST_CHANGE_SHARE * held_l, learned.sd):
        return AGREES
    decided = next((one for one in earlier if one.decided_by_id is not None), None)
    if (
        decided is not None
        and decided.state == CardProposal.State.DECLINED
        and decided.evidence["used"] == evidence["used"]
        and decided.held_value == held_l
    ):
        return DECLINED
    return ""


def _open(earlier: Iterable[CardProposal]) -> CardProposal | None:
    return next((one for one in earlier if one.state == CardProposal.State.PROPOSED), None)


def _propose(
    as_of: datetime.date,
    model: UnitModel,
    figure: str,
    values: dict[str, object],
    earlier: list[CardProposal],
    notes: list[ChangeRecord],
) -> str:
    proposal = _open(earlier)
    if proposal is None:
        proposal = CardProposal.objects.create(unit_model=model, figure=figure, proposed_on=as_of, **values)
        notes.append(change_note(proposal, _key(proposal), after=values))
        return PROPOSED
    before = {name: getattr(proposal, name) for name in values}
    if before == values:
        return UNCHANGED
    for name, value in values.items():
        setattr(proposal, name, value)
    proposal.save(update_fields=list(values))
    notes.append(change_note(proposal, _key(proposal), before=before, after=values))
    return UPDATED


def _withdraw(earlier: list[CardProposal], notes: list[ChangeRecord]) -> str:
    """Take an open proposal back, told apart from a declined one by having nobody who decided."""
    proposal = _open(earlier)
    if proposal is None:
        return ""
    notes.append(_decide(proposal, CardProposal.State.DECLINED, None))
    return WITHDRAWN


def proposal_decide(proposal: CardProposal, accept: bool, person: Person) -> CardProposal:
    """Accept a proposal, which writes the card figure as learned, or decline it; both are noted with the person.

    Raises NotAllowed for a role that may not change unit data, ConflictError where it is decided already, where the
    card has moved since, or where the figure would contradict the rest of the card; nothing is written then.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change unit cards; ask the foreman to accept or decline this.")
    with transaction.atomic():
        # The same lock as a run takes, so that a figure cannot move under a decision.
        model = UnitModel.objects.select_for_update(of=("self",)).get(pk=proposal.unit_model_id)
        row = (
            CardProposal.objects.select_for_update(of=("self",))
            .select_related("unit_model")
            .get(pk=proposal.pk)
        )
        if row.state != CardProposal.State.PROPOSED:
            raise ConflictError(f"This proposal is {row.state} already; reload the page.")
        notes = [_card_write(model, row)] if accept else []
        state = CardProposal.State.ACCEPTED if accept else CardProposal.State.DECLINED
        changes_write([*notes, _decide(row, state, person)], person=person)
    return row


def _card_write(model: UnitModel, proposal: CardProposal) -> ChangeRecord:
    figures = {own.figure: own for own in CardFigure.objects.select_for_update().filter(unit_model=model)}
    figure = figures.get(proposal.figure)
    if figure is None or figure.value != proposal.held_value:
        now = "no longer gives this figure" if figure is None else f"says {figure.value:g} L now"
        raise ConflictError(
            f"The card of {model.code} {now}, not the {proposal.held_value:g} L this was compared with; "
            "learn again and decide on the new proposal."
        )
    names = ("value", "source", "noted_on", "note")
    before = {name: getattr(figure, name) for name in names}
    figure.value, figure.source = proposal.card_value, "learned"
    figure.noted_on = clock.now().date()
    figure.note = (
        f"learned from {proposal.n} jobs, ± {proposal.sd:.3f} L; "
        f"before: {proposal.book_value:g} L, {proposal.book_source}"
    )
    try:
        card_from(model, figures.values())
    except HatchmarkError as error:
        raise ConflictError(f"{error} Put the other figure right first, or decline.") from error
    figure.save(update_fields=list(names))
    return change_note(
        figure, f"{model.code} {figure.figure}", before=before, after={name: getattr(figure, name) for name in names}
    )  # fmt: skip


def _decide(proposal: CardProposal, state: str, person: Person | None) -> ChangeRecord:
    before = {"state": proposal.state}
    proposal.state, proposal.decided_by, proposal.decided_at = state, person, clock.now()
    proposal.save(update_fields=["state", "decided_by", "decided_at"])
    return change_note(proposal, _key(proposal), before=before, after={"state": state})


def _key(proposal: CardProposal) -> str:
    return f"{proposal.unit_model.code} {proposal.figure}"
