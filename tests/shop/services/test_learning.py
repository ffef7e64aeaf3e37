"""Closed jobs propose card figures; the same jobs propose nothing new, and only a person changes a card."""

import datetime
import json

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from shop.errors import ConflictError, NotAllowed
from shop.models import CardFigure, CardProposal, ChangeRecord, Job
from shop.services.learning import learn_refit
from shop.services.learning_proposals import proposal_decide
from tests.factories import (
    FittingFactory,
    PersonFactory,
    ProductFactory,
    UnitFactory,
    UnitModelFactory,
    VehicleFactory,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

TODAY = datetime.date(2026, 3, 10)
BOOK = {"total_fill_l": 11.2, "quick_drain_l": 3.6, "overnight_drain_l": 6.1}


class Box:
    """One gearbox model with a book card, and drains weighed on it; density 850, so 0.85 kg is a litre at 15 °C."""

    def __init__(self) -> None:
        product = ProductFactory(code="F01", density15_kg_m3=850)
        self.model = UnitModelFactory(code="TB6", product=product)
        for figure, value in BOOK.items():
            CardFigure.objects.create(
                unit_model=self.model, figure=figure, value=value, measured_in="L", source="maker"
            )

    def job(self, litres: float | None, day: int = 1, **fields) -> Job:
        number = Job.objects.count()
        unit = fields.pop("unit", None)
        if unit is None:
            unit = UnitFactory(code=f"G{number}", unit_model=self.model)
            FittingFactory(unit=unit, vehicle=VehicleFactory())
        values = {
            "method": "drain-and-refill", "state": "handed back", "done_on": datetime.date(2025, 6, day),
            "out_kg": None if litres is None else litres * 0.85, "product": self.model.product,
        } | fields  # fmt: skip
        return Job.objects.create(
            code=f"J{number}", unit=unit, vehicle=unit.fittings.first().vehicle, **values
        )

    def held(self, figure: str = "quick_drain_l") -> CardFigure:
        return CardFigure.objects.get(unit_model=self.model, figure=figure)


@pytest.fixture
def box() -> Box:
    return Box()


@pytest.fixture
def taught(box) -> Box:
    for litres in (3.92, 3.87, 4.01, 2.90):
        box.job(litres)
    return box


def learn(as_of: datetime.date = TODAY):
    (line,) = learn_refit(as_of).lines
    return line


def test_three_good_jobs_propose_and_the_leaking_one_is_told(taught):
    # Reference calculation: 3.924 ± 0.068 from book 3.6 ± 0.4. At 20 °C oil of density 850 is 0.37 % larger (API
    # MPMS 11.1: 1.00041/0.99671), and a unit card holds at 20 °C.
    line = learn()
    assert line.outcome == "proposed"
    proposal = CardProposal.objects.get()
    assert proposal.value == pytest.approx(3.924, abs=0.001)
    assert proposal.sd == pytest.approx(0.068, abs=0.0005)
    assert proposal.card_value == pytest.approx(proposal.value * 1.00041 / 0.99671, rel=1e-4)
    assert (proposal.n, proposal.book_value, proposal.book_source, proposal.state) == (
        3,
        3.6,
        "maker",
        "proposed",
    )
    assert [(row["job"], row["unit"]) for row in line.set_aside] == [("J3", "G3")]
    assert "may lose fluid" in line.set_aside[0]["reason"]
    assert not line.ask_a_person
    assert taught.held().value == 3.6


def test_the_same_jobs_propose_nothing_new(taught):
    learn()
    noted = ChangeRecord.objects.count()
    assert [learn().outcome, learn().outcome] == ["unchanged", "unchanged"]
    assert (CardProposal.objects.count(), ChangeRecord.objects.count()) == (1, noted)


def test_a_new_job_updates_the_open_proposal(taught):
    learn()
    taught.job(3.95)
    assert learn().outcome == "updated"
    proposal = CardProposal.objects.get()
    assert proposal.n == 4
    assert len(proposal.evidence["used"]) == 4


def test_jobs_after_the_day_do_not_count(taught):
    assert learn_refit(datetime.date(2025, 5, 31)).lines == ()


def test_litres_with_a_temperature_serve_as_a_weight_does(box):
    # API MPMS 11.1 for density 850: 6.00 L at 70 °C are 5.754 L at 15 °C (reference calculation).
    box.job(None, method="overnight drain", out_l=6.0, out_temp_c=70.0)
    line = learn()
    assert line.figure == "overnight_drain_l"
    assert line.used[0]["value"] == pytest.approx(5.754, abs=0.003)
    assert (line.used[0]["measured_by"], line.outcome) == ("litres and temperature", "too few jobs")


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"out_kg": None, "out_l": 3.9}, "neither weighed"),
        ({"out_kg": None}, "neither weighed"),
        ({"out_kg": None, "out_l": 3.9, "out_temp_c": 999}, "outside -50 to 150 °C"),
    ],
)
def test_a_job_that_measured_nothing_is_told_and_not_learned(taught, fields, words):
    taught.job(3.9, **fields)
    line = learn()
    assert line.n == 3
    assert words in line.set_aside[-1]["reason"]


def test_a_weight_without_a_density_is_told(box):
    box.model.product.density15_kg_m3 = None
    box.model.product.save()
    box.job(3.9)
    assert "has no density" in learn().set_aside[0]["reason"]


def test_a_job_that_came_back_teaches_nothing(taught):
    bad = taught.job(3.4, day=10)
    taught.job(None, day=20, unit=bad.unit, kind="correction", method="level correction", in_l=0.4)
    line = learn()
    assert line.n == 3
    assert "came back" in line.set_aside[-1]["reason"]


@pytest.mark.parametrize("between", [True, False])
def test_a_correction_speaks_only_against_the_service_before_it(taught, between):
    good = taught.job(3.9, day=2)
    if between:
        taught.job(None, day=10, unit=good.unit, method="full fill")
    taught.job(
        None, unit=good.unit, kind="correction", method="level correction", out_l=0.4,
        done_on=datetime.date(2025, 6, 20) if between else datetime.date(2025, 9, 20),
    )  # fmt: skip
    assert learn().n == 4


def test_a_level_looked_at_is_no_correction(taught):
    good = taught.job(3.9, day=2)
    taught.job(None, day=3, unit=good.unit, kind="correction", method="level proof")
    assert learn().n == 4


def test_a_wrong_fluid_teaches_nothing(taught):
    wrong = ProductFactory(code="F07", density15_kg_m3=875)
    wrong.bans.create(unit_model=taught.model, reason="it swells the seals")
    taught.job(3.9, product=wrong)
    line = learn()
    assert line.n == 3
    assert "it swells the seals" in line.set_aside[-1]["reason"]


@pytest.mark.parametrize(
    "fields",
    [
        {"state": "empty", "done_on": None},
        {"kind": "top-up", "method": "top-up"},
        {"method": "quick drain + cooler-line exchange"},
        {"method": "full fill"},
        {"subject": "outside filter"},
    ],
)
def test_what_is_no_finished_first_drain_is_not_looked_at(taught, fields):
    taught.job(9.0, **fields)
    line = learn()
    assert (line.n, len(line.set_aside)) == (3, 1)


def test_two_jobs_are_too_few(box):
    box.job(3.9)
    box.job(3.95)
    assert learn().outcome == "too few jobs"
    assert not CardProposal.objects.exists()


def test_a_figure_that_agrees_with_the_card_asks_nobody(box):
    for litres in (3.58, 3.60, 3.61):
        box.job(litres)
    assert learn().outcome == "agrees with the card"
    assert not CardProposal.objects.exists()


def test_a_figure_the_card_does_not_give_is_told(taught):
    taught.held().delete()
    assert learn().outcome == "no figure on the card"


def test_far_off_the_book_asks_a_person(box):
    for litres in (4.40, 4.45, 4.42):
        box.job(litres)
    assert learn().ask_a_person
    assert CardProposal.objects.get().is_far_from_book


def test_accepting_writes_the_card_and_says_who(taught):
    learn()
    person = PersonFactory(role="foreman")
    done = proposal_decide(CardProposal.objects.get(), True, person)
    figure = taught.held()
    assert (figure.value, figure.source, figure.noted_on) == (done.card_value, "learned", TODAY)
    assert (done.state, done.decided_by) == ("accepted", person)
    changed = ChangeRecord.objects.get(table="card figure", key="TB6 quick_drain_l")
    assert (changed.before["value"], changed.before["source"]) == (3.6, "maker")
    assert (changed.after["value"], changed.after["source"]) == (done.card_value, "learned")
    assert changed.changed_by == person


def test_what_was_accepted_is_not_learned_twice(taught):
    learn()
    proposal_decide(CardProposal.objects.get(), True, PersonFactory())
    again = learn()
    assert (again.outcome, again.book) == ("agrees with the card", 3.6)
    assert again.value == pytest.approx(CardProposal.objects.get().value, abs=1e-12)


def test_what_was_declined_stays_declined_until_there_is_another_job(taught):
    learn()
    proposal_decide(CardProposal.objects.get(), False, PersonFactory())
    assert taught.held().value == 3.6
    assert learn().outcome == "declined before"
    taught.job(3.95)
    assert learn().outcome == "proposed"
    assert sorted(CardProposal.objects.values_list("state", flat=True)) == ["declined", "proposed"]


def test_a_proposal_later_jobs_do_not_bear_out_is_withdrawn(taught):
    learn()
    Job.objects.filter(code="J0").update(out_kg=None)
    assert learn().outcome == "withdrawn"
    proposal = CardProposal.objects.get()
    assert (proposal.state, proposal.decided_by) == ("declined", None)
    Job.objects.filter(code="J0").update(out_kg=3.332)
    assert learn().outcome == "proposed"


@pytest.mark.parametrize("fields", [{"state": "empty", "done_on": None}, {"subject": "outside filter"}])
def test_a_proposal_without_any_job_left_is_withdrawn(taught, fields):
    learn()
    Job.objects.update(**fields)
    assert learn().outcome == "withdrawn"


@pytest.mark.parametrize("role", ["fleet", "stores", "technician", "apprentice"])
@pytest.mark.parametrize("accept", [True, False])
def test_only_who_may_change_unit_data_decides(taught, role, accept):
    learn()
    with pytest.raises(NotAllowed, match="ask the foreman"):
        proposal_decide(CardProposal.objects.get(), accept, PersonFactory(role=role))
    assert CardProposal.objects.get().state == "proposed"
    assert taught.held().source == "maker"


def test_a_decision_is_made_once(taught):
    learn()
    proposal = CardProposal.objects.get()
    proposal_decide(proposal, False, PersonFactory())
    with pytest.raises(ConflictError, match="declined already"):
        proposal_decide(proposal, True, PersonFactory())


def test_a_card_that_moved_meanwhile_is_not_overwritten(taught):
    learn()
    CardFigure.objects.filter(figure="quick_drain_l").update(value=3.8)
    with pytest.raises(ConflictError, match=r"says 3\.8 L now"):
        proposal_decide(CardProposal.objects.get(), True, PersonFactory())
    assert taught.held().value == 3.8
    learn()
    assert CardProposal.objects.get().held_value == 3.8


def test_a_figure_that_contradicts_the_card_is_not_written(taught):
    CardFigure.objects.filter(figure="overnight_drain_l").update(value=3.7)
    learn()
    with pytest.raises(ConflictError, match="more than overnight drain"):
        proposal_decide(CardProposal.objects.get(), True, PersonFactory())
    assert taught.held().value == 3.6
    assert CardProposal.objects.get().state == "proposed"


def test_one_open_proposal_per_figure(taught):
    learn()
    row = CardProposal.objects.get()
    row.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        row.save(force_insert=True)


def test_more_jobs_take_no_more_queries(taught):
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert learn().outcome == "unchanged"
        return len(seen)

    learn()
    before = queries()
    for _ in range(6):
        taught.job(None)
    learn()
    assert queries() == before


def test_the_command_prints_what_it_learned(taught, capsys):
    call_command("learn")
    told = capsys.readouterr().out
    assert "TB6 quick_drain_l: proposed; 3.923 ± 0.068 L at 15 °C from 3 jobs, book 3.6 L" in told
    assert "set aside G3 J3" in told
    call_command("learn", "--json", "--as-of", "2026-03-01")
    data = json.loads(capsys.readouterr().out)
    assert data["as_of"] == "2026-03-01"
    assert [(line["subject"], line["outcome"], line["n"]) for line in data["lines"]] == [
        ("TB6", "unchanged", 3)
    ]


def test_the_command_says_when_there_is_nothing(capsys):
    call_command("learn")
    assert "measured anything to learn from" in capsys.readouterr().out
