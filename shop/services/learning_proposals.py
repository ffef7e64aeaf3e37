"""Proposals: made, kept up to date, withdrawn, and accepted or declined by a person."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db import models, transaction

from intervals.errors import HatchmarkError
from shop import clock
from shop.errors import ConflictError, NotAllowed
from shop.models import CardFigure, CardProposal, ChangeRecord, MeasuringTool, Person, UnitModel
from shop.selectors.exchange import card_from
from shop.services.changes import change_note, changes_write

PROPOSED, UPDATED, UNCHANGED, WITHDRAWN, DECLINED = (
    "proposed", "updated", "unchanged", "withdrawn", "declined before",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Held:
    """A figure as it stands, and where it came from."""

    value: float
    source: str


def open_of(earlier: Iterable[CardProposal]) -> CardProposal | None:
    """Return the proposal that waits for a person, or None."""
    return next((one for one in earlier if one.state == CardProposal.State.PROPOSED), None)


def was_declined(earlier: Iterable[CardProposal], evidence: Mapping[str, object], held: Held) -> bool:
    """Say whether a person declined what these very jobs say of this very card."""
    decided = next((one for one in earlier if one.decided_by_id is not None), None)
    return (
        decided is not None
        and decided.state == CardProposal.State.DECLINED
        and decided.evidence["used"] == evidence["used"]
        and decided.held_value == held.value
    )


def propose(
    as_of: datetime.date,
    owner: Mapping[str, models.Model],
    figure: str,
    values: Mapping[str, object],
    earlier: Sequence[CardProposal],
    notes: list[ChangeRecord],
) -> str:
    """Make the proposal, or bring the open one up to date; return which of the two, or that nothing moved."""
    proposal = open_of(earlier)
    if proposal is None:
        proposal = CardProposal.objects.create(**owner, figure=figure, proposed_on=as_of, **values)
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


def withdraw(earlier: Iterable[CardProposal], notes: list[ChangeRecord]) -> str:
    """Take an open proposal back, told apart from a declined one by having nobody who decided."""
    proposal = open_of(earlier)
    if proposal is None:
        return ""
    notes.append(_decide(proposal, CardProposal.State.DECLINED, None))
    return WITHDRAWN


def proposal_decide(proposal: CardProposal, accept: bool, person: Person) -> CardProposal:
    """Accept a proposal, which writes the figure as learned, or decline it; both are noted with the person.

    Raises NotAllowed for a role that may not change unit data, ConflictError where it is decided already, where the
    card or tool has moved since, or where the figure would contradict the rest of the card; nothing is written then.
    """
    if not person.can("change unit data"):
        raise NotAllowed("Your role may not change unit cards; ask the foreman to accept or decline this.")
    with transaction.atomic():
        # The same locks as a run takes, so that a figure cannot move under a decision.
        owner: UnitModel | MeasuringTool
        if proposal.unit_model_id is not None:
            owner = UnitModel.objects.select_for_update(of=("self",)).get(pk=proposal.unit_model_id)
        else:
            owner = MeasuringTool.objects.select_for_update(of=("self",)).get(pk=proposal.tool_id)
        row = (
            CardProposal.objects.select_for_update(of=("self",))
            .select_related("unit_model", "tool")
            .get(pk=proposal.pk)
        )
        if row.state != CardProposal.State.PROPOSED:
            raise ConflictError(f"This proposal is {row.state} already; reload the page.")
        notes = []
        if accept:
            notes.append(_card_write(owner, row) if isinstance(owner, UnitModel) else _tool_write(owner, row))
        state = CardProposal.State.ACCEPTED if accept else CardProposal.State.DECLINED
        changes_write([*notes, _decide(row, state, person)], person=person)
    return row


def _card_write(model: UnitModel, proposal: CardProposal) -> ChangeRecord:
    figures = {own.figure: own for own in CardFigure.objects.select_for_update().filter(unit_model=model)}
    figure = figures.get(proposal.figure)
    is_new = figure is None and proposal.book_source == "guess"
    if is_new:
        figure = figures[proposal.figure] = CardFigure(
            unit_model=model, figure=proposal.figure, value=proposal.held_value, measured_in=proposal.measured_in,
            source="guess",
        )  # fmt: skip
    if figure is None or figure.value != proposal.held_value:
        unit = _unit(proposal.measured_in)
        now = "no longer gives this figure" if figure is None else f"says {figure.value:g}{unit} now"
        raise ConflictError(
            f"The card of {model.code} {now}, not the {proposal.held_value:g}{unit} this was compared with; "
            "learn again and decide on the new proposal."
        )
    names = ("value", "source", "noted_on", "note")
    before = None if is_new else {name: getattr(figure, name) for name in names}
    figure.value, figure.source = proposal.card_value, "learned"
    figure.noted_on, figure.note = clock.now().date(), _from_jobs(proposal)
    try:
        card_from(model, figures.values())
    except HatchmarkError as error:
        raise ConflictError(f"{error} Put the other figure right first, or decline.") from error
    figure.save()
    return change_note(
        figure, f"{model.code} {figure.figure}", before=before, after={name: getattr(figure, name) for name in names}
    )  # fmt: skip


def _tool_write(tool: MeasuringTool, proposal: CardProposal) -> ChangeRecord:
    held = tool.reading_error_share
    if (0.0 if held is None else held) != proposal.held_value:
        raise ConflictError(
            f"The reading error of {tool.code} was changed since; learn again and decide on the new proposal."
        )
    names = ("reading_error_share", "error_source", "error_since")
    before = {name: getattr(tool, name) for name in names}
    tool.reading_error_share, tool.error_source = proposal.card_value, "learned"
    tool.error_since = clock.today(tool.depot.time_zone)
    tool.save(update_fields=list(names))
    return change_note(tool, tool.code, before=before, after={name: getattr(tool, name) for name in names})


def _from_jobs(proposal: CardProposal) -> str:
    unit = _unit(proposal.measured_in)
    return (
        f"learned from {proposal.n} jobs, ± {proposal.sd:.3f}{unit}; "
        f"before: {proposal.book_value:g}{unit}, {proposal.book_source}"
    )


def _unit(measured_in: str) -> str:
    return "" if measured_in == "-" else f" {measured_in}"


def _decide(proposal: CardProposal, state: str, person: Person | None) -> ChangeRecord:
    before = {"state": proposal.state}
    proposal.state, proposal.decided_by, proposal.decided_at = state, person, clock.now()
    proposal.save(update_fields=["state", "decided_by", "decided_at"])
    return change_note(proposal, _key(proposal), before=before, after={"state": state})


def _key(proposal: CardProposal) -> str:
    return f"{proposal.subject.code} {proposal.figure}"
