"""Learning from closed jobs: what they show is gathered, and changes of cards and tools are proposed to a person."""

import datetime
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

from django.db import transaction

from intervals.errors import HatchmarkError
from intervals.exchange.learning import LEAST_OBSERVATIONS, Belief, Learned, drain_belief, learn
from intervals.exchange.sampling import MIXING_BELIEF
from intervals.exchange.tool_errors import READING_ERROR, stick_belief
from shop.models import CardFigure, CardProposal, ChangeRecord, MeasuringTool, Product, UnitModel
from shop.selectors.learned_drains import FIGURES, drains_by_figure
from shop.selectors.learned_jobs import Observation, closed_jobs, factor_to_card
from shop.selectors.learned_samples import MIXING_FIGURE, mixing_by_model
from shop.selectors.learned_tools import ERROR_FIGURE, STICK_FIGURE, errors_by_tool, slopes_by_model
from shop.services.changes import changes_write
from shop.services.learning_consequences import card_consequence, tool_consequence
from shop.services.learning_proposals import DECLINED, Held, open_of, propose, was_declined, withdraw

AGREES, TOO_FEW, TOO_VAGUE, NO_BOOK = (
    "agrees with the card", "too few jobs", "too uncertain", "no figure on the card",
)  # fmt: skip

LEAST_CHANGE_SHARE = 0.01
"""A smaller difference from the card is not worth a person's decision. House default."""

Subject = UnitModel | MeasuringTool


@dataclass(frozen=True, slots=True)
class Lesson:
    """How one figure is learned.

    Attributes:
        measured_in: its unit. belief: from the book figure to how sure it is.
        guess: what is believed where nothing is held; None: nothing can be learned then.
        is_litres: learned at 15 °C, held at 20.
    """

    measured_in: str
    belief: Callable[[float], Belief]
    guess: float | None = None
    is_litres: bool = False


def _around(belief: Belief) -> Callable[[float], Belief]:
    return lambda book: replace(belief, mean=book)


LESSONS = {
    **dict.fromkeys(FIGURES.values(), Lesson("L", drain_belief, is_litres=True)),
    STICK_FIGURE: Lesson("mL/mm", stick_belief),
    MIXING_FIGURE: Lesson("-", _around(MIXING_BELIEF), guess=MIXING_BELIEF.mean),
    ERROR_FIGURE: Lesson("share", _around(READING_ERROR), guess=READING_ERROR.mean),
}


@dataclass(frozen=True, slots=True)
class LearnLine:
    """What the jobs say about one figure of one unit model or tool, and what became of it.

    Attributes:
        subject: code of the unit model or tool. outcome: one of the words above.
        value, sd: learned, litres at 15 °C; None without a figure to start from.
        card_value: the same as the card would say it, litres at 20 °C.
        book, held: what learning started from; what the card says now.
        n: jobs learned from. off_book_share: how far off the book. ask_a_person: it is more than 15 % off.
        used, set_aside: the jobs, as in the evidence of a proposal.
    """

    subject: str
    figure: str
    measured_in: str
    outcome: str
    n: int
    value: float | None = None
    sd: float | None = None
    card_value: float | None = None
    book: float | None = None
    held: float | None = None
    off_book_share: float | None = None
    ask_a_person: bool = False
    used: tuple[dict[str, object], ...] = ()
    set_aside: tuple[dict[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class LearnReport:
    """What one run learned, a line per figure of a unit model or tool."""

    as_of: datetime.date
    lines: tuple[LearnLine, ...]

    def as_data(self) -> dict[str, object]:
        """Return the report as JSON can hold it."""
        return {"as_of": self.as_of.isoformat(), "lines": [asdict(line) for line in self.lines]}

    def counts(self) -> dict[str, int]:
        """Return how many lines came to each outcome."""
        found: dict[str, int] = defaultdict(int)
        for line in self.lines:
            found[line.outcome] += 1
        return dict(found)


def learn_refit(as_of: datetime.date) -> LearnReport:
    """Learn from all jobs closed up to a day and propose what should change on unit cards and tools.

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
        tools = {tool.pk: tool for tool in MeasuringTool.objects.select_for_update().order_by("pk")}
        figures: dict[int, list[CardFigure]] = defaultdict(list)
        for own in CardFigure.objects.filter(unit_model__in=models):
            figures[own.unit_model_id].append(own)
        earlier: dict[tuple[Subject, str], list[CardProposal]] = defaultdict(list)
        for proposal in CardProposal.objects.select_related("unit_model", "tool").order_by("-pk"):
            subject = models.get(proposal.unit_model_id) or tools[proposal.tool_id]
            earlier[subject, proposal.figure].append(proposal)
        seen = _observations(as_of, models, tools, figures)
        open_ones = {key for key, rows in earlier.items() if key[1] in LESSONS and open_of(rows) is not None}
        notes: list[ChangeRecord] = []
        lines = []
        for subject, figure in sorted(seen.keys() | open_ones, key=lambda key: (key[0].code, key[1])):
            own = figures.get(subject.pk, []) if isinstance(subject, UnitModel) else []
            one = _OneFigure(as_of, subject, figure, own, earlier[subject, figure], notes)
            lines.append(one.line(seen.get((subject, figure), [])))
        changes_write(notes)
    return LearnReport(as_of, tuple(lines))


def _observations(
    as_of: datetime.date,
    models: dict[int, UnitModel],
    tools: dict[int, MeasuringTool],
    figures: dict[int, list[CardFigure]],
) -> dict[tuple[Subject, str], list[Observation]]:
    closed = closed_jobs(as_of)
    by_model = drains_by_figure(closed, figures) | slopes_by_model(closed) | mixing_by_model(as_of, figures)
    found: dict[tuple[Subject, str], list[Observation]] = {
        (models[pk], figure): rows for (pk, figure), rows in by_model.items()
    }
    for (pk, figure), rows in errors_by_tool(closed, figures).items():
        found[tools[pk], figure] = rows
    return found


@dataclass(frozen=True, slots=True)
class _OneFigure:
    """One figure of one unit model or tool, with its earlier proposals, the newest first."""

    as_of: datetime.date
    subject: Subject
    figure: str
    figures: list[CardFigure]
    earlier: list[CardProposal]
    notes: list[ChangeRecord]

    @property
    def lesson(self) -> Lesson:
        return LESSONS[self.figure]

    def line(self, observations: Sequence[Observation]) -> LearnLine:
        """Learn the figure and keep, update or withdraw its proposal."""
        held = self._held()
        if held is None:
            return self._told(withdraw(self.earlier, self.notes) or NO_BOOK)
        try:
            return self._learned(held, observations)
        except HatchmarkError as error:
            return self._told(withdraw(self.earlier, self.notes) or f"cannot say: {error}")

    def _told(self, outcome: str) -> LearnLine:
        return LearnLine(self.subject.code, self.figure, self.lesson.measured_in, outcome, 0)

    def _held(self) -> Held | None:
        """Return what the card or tool says now, or what is guessed where it says nothing."""
        lesson = self.lesson
        if isinstance(self.subject, MeasuringTool):
            share = self.subject.reading_error_share
            return Held(lesson.guess, "guess") if share is None else Held(share, self.subject.error_source)
        own = next((one for one in self.figures if one.figure == self.figure), None)
        if own is not None and own.value > 0:
            return Held(own.value, own.source)
        return None if lesson.guess is None else Held(lesson.guess, "guess")

    def _book(self, held: Held) -> Held:
        """Return what learning starts from: never a figure that the same jobs have already taught."""
        if held.source == "learned":
            for proposal in self.earlier:
                if proposal.state == CardProposal.State.ACCEPTED:
                    return Held(proposal.book_value, proposal.book_source)
        return held

    def _learned(self, held: Held, observations: Sequence[Observation]) -> LearnLine:
        book = self._book(held)
        to_card = factor_to_card(_product(self.subject)) if self.lesson.is_litres else 1.0
        belief = self.lesson.belief(book.value / to_card)
        learned = learn(belief, [one.seen for one in observations if one.seen is not None])
        evidence = _evidence(observations, learned)
        card_value = learned.mean * to_card
        values = {
            "measured_in": self.lesson.measured_in, "value": learned.mean, "sd": learned.sd, "n": learned.n,
            "card_value": card_value, "book_value": book.value, "book_source": book.source,
            "held_value": held.value, "evidence": evidence,
        }  # fmt: skip
        outcome = self._why_not_now(learned, belief, held, card_value, evidence)
        if outcome:
            outcome = withdraw(self.earlier, self.notes) or outcome
        else:
            evidence["next"] = self._consequence(held.value, card_value)
            outcome = propose(self.as_of, self._owner(), self.figure, values, self.earlier, self.notes)
        shown = CardProposal(**self._owner(), figure=self.figure, **values)
        return LearnLine(
            self.subject.code, self.figure, self.lesson.measured_in, outcome, learned.n, learned.mean, learned.sd,
            card_value, book.value, held.value, shown.off_book_share, shown.is_far_from_book,
            tuple(evidence["used"]), tuple(evidence["set_aside"]),
        )  # fmt: skip

    def _owner(self) -> dict[str, Subject]:
        return {"tool" if isinstance(self.subject, MeasuringTool) else "unit_model": self.subject}

    def _consequence(self, now: float, then: float) -> str:
        if isinstance(self.subject, MeasuringTool):
            return tool_consequence(now, then)
        return card_consequence(self.subject, self.figures, self.figure, then)

    def _why_not_now(
        self, learned: Learned, belief: Belief, held: Held, card_value: float, evidence: dict[str, object]
    ) -> str:
        """Return why there is nothing to propose, or an empty text."""
        if learned.n < LEAST_OBSERVATIONS:
            return TOO_FEW
        if learned.sd >= belief.most_sd:
            return TOO_VAGUE
        if abs(card_value - held.value) <= max(LEAST_CHANGE_SHARE * abs(held.value), learned.sd):
            return AGREES
        return DECLINED if was_declined(self.earlier, evidence, held) else ""


def _product(subject: Subject) -> Product | None:
    return subject.product if isinstance(subject, UnitModel) else None


def _evidence(observations: Sequence[Observation], learned: Learned) -> dict[str, object]:
    measured = [one for one in observations if one.seen is not None]
    odd = {one.place: one.reason for one in learned.set_aside}
    used = [one.row() for place, one in enumerate(measured) if place not in odd]
    aside = [one.row() | {"reason": odd[place]} for place, one in enumerate(measured) if place in odd]
    aside += [one.row() | {"reason": one.why_not} for one in observations if one.seen is None]
    return {"used": used, "set_aside": aside}
