"""Laboratory samples: recorded if they can be, accepted by a person, and then the job's share is the measured one."""

import datetime

import pytest

from intervals.exchange.done import share_of_done
from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import (
    CardFigure,
    CardProposal,
    FluidSample,
    IntervalRule,
    Job,
    LastService,
    RuleVersion,
)
from shop.selectors.exchange import card_from
from shop.services.job_report import JobReport
from shop.services.jobs import job_close
from shop.services.learning import learn_refit
from shop.services.learning_proposals import proposal_decide
from shop.services.samples import SampleReport, sample_decide, sample_record
from tests.factories import (
    DepotFactory,
    FittingFactory,
    MeterFactory,
    PersonFactory,
    ProductFactory,
    ReadingFactory,
    StockItemFactory,
    UnitFactory,
    UnitModelFactory,
    VehicleFactory,
)
from tests.lines import told_line

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

TODAY = datetime.date(2026, 3, 10)
CARD = {"total_fill_l": 11.2, "quick_drain_l": 3.6, "overnight_drain_l": 6.1}
METHOD = "overnight drain + cooler-line exchange"


def sample(after: float = 225, ref: str = "L-1", **fields) -> SampleReport:
    return SampleReport(**({"taken_on": TODAY, "element": "Ca", "before_mg_kg": 110, "new_mg_kg": 260,
                            "after_mg_kg": after, "laboratory_ref": ref} | fields))  # fmt: skip


class Bay:
    """A model without compartments, whose jobs are worked out by the one-number formula, and one unit of it."""

    def __init__(self) -> None:
        self.depot = DepotFactory()
        product = ProductFactory(code="F01", density15_kg_m3=850)
        self.model = UnitModelFactory(
            code="TB6", product=product, methods=["overnight drain", "cooler-line exchange", "drain-and-refill"],
            house_method=METHOD,
        )  # fmt: skip
        for figure, value in CARD.items():
            CardFigure.objects.create(
                unit_model=self.model, figure=figure, value=value, measured_in="L", source="maker"
            )
        rule = IntervalRule.objects.create(unit_model=self.model)
        RuleVersion.objects.create(rule=rule, applies_from="2018-01-01", interval_km=60_000)
        StockItemFactory(depot=self.depot, product=product, on_shelf_l=60, pack_size_l=60)
        self.foreman = PersonFactory(role="foreman", depots=[self.depot])
        self.unit = self.add("K01")
        LastService.objects.create(unit=self.unit, done_on="2025-01-14", unit_km=43_450, fresh_share=1.0)

    def add(self, number: str):
        unit = UnitFactory(code=f"{number}-TB6", unit_model=self.model)
        vehicle = VehicleFactory(depot=self.depot, number=number)
        FittingFactory(unit=unit, vehicle=vehicle)
        ReadingFactory(
            meter=MeterFactory(vehicle=vehicle, class_rate_per_day=150), raw_value=100_000,
            read_at=datetime.datetime(2026, 3, 7, 4, tzinfo=datetime.UTC),
        )  # fmt: skip
        return unit

    def close(self, **fields) -> Job:
        report = {
            "method": METHOD, "done_on": TODAY, "out_l": 10.1, "out_temp_c": 20, "in_l": 10.1, "in_temp_c": 20,
            "level_reason": "fluid at the edge", "leak_checked": True, "road_tested": True, "done_by": "Bea",
        } | fields  # fmt: skip
        return job_close(self.foreman, self.unit, JobReport(**report))


@pytest.fixture
def bay() -> Bay:
    return Bay()


def test_accepting_a_sample_moves_share_age_limit_and_date(bay):
    # Reference calculation: 6.1 + 4.0 of 11.2 L at m 0.6 leave 0.7696; Ca 110, 260, 225 say 0.7667. Age before 57 000
    # km (mass balance: what stayed is as old as before).
    job = bay.close()
    assert job.fresh_share == pytest.approx(0.7696, abs=1e-4)
    last = LastService.objects.get()
    assert last.age_km == pytest.approx((1 - 0.7696) * 57_000, rel=1e-3)
    done = sample_decide(sample_record(bay.foreman, job, sample()), True, bay.foreman)
    job.refresh_from_db()
    last.refresh_from_db()
    assert job.fresh_share == last.fresh_share == pytest.approx(115 / 150)
    assert "measured: Ca by laboratory report L-1" in job.share_basis
    assert done.computed_share == pytest.approx(0.7696, abs=1e-4)
    assert last.age_km == pytest.approx((35 / 150) * 57_000, rel=1e-6)
    assert sum(part["share"] for part in last.parcels) == pytest.approx(1.0)
    assert last.run_limit_km == pytest.approx(3_000 + (115 / 150) * 60_000, rel=1e-6)
    assert told_line().facts


def test_it_is_as_if_the_job_had_been_closed_with_the_measured_share(bay, monkeypatch):
    # Independent way: the same job closed with 0.7667 in the place of the computed share.
    job = bay.close()
    sample_decide(sample_record(bay.foreman, job, sample()), True, bay.foreman)
    moved = LastService.objects.get()
    LastService.objects.all().delete()
    LastService.objects.create(unit=bay.unit, done_on="2025-01-14", unit_km=43_450, fresh_share=1.0)
    measured = type(share_of_done(card_from(bay.model, bay.model.figures.all()), METHOD, 10.1))(115 / 150, "")
    monkeypatch.setattr("shop.services.job_volumes.share_of_done", lambda *args, **kwargs: measured)
    bay.close(is_repeated=True)
    closed = LastService.objects.get()
    for name in ("fresh_share", "age_km", "age_days", "run_limit_km"):
        assert getattr(moved, name) == pytest.approx(getattr(closed, name), rel=1e-9), name
    assert [part["share"] for part in moved.parcels] == pytest.approx(
        [part["share"] for part in closed.parcels]
    )


def test_a_sample_of_an_older_job_moves_that_job_only(bay):
    job = bay.close(done_on=datetime.date(2026, 3, 8))
    bay.close()
    before = LastService.objects.values().get()
    sample_decide(sample_record(bay.foreman, job, sample()), True, bay.foreman)
    assert LastService.objects.values().get() == before
    job.refresh_from_db()
    assert job.fresh_share == pytest.approx(115 / 150)


def test_declining_leaves_everything(bay):
    job = bay.close()
    sample_decide(sample_record(bay.foreman, job, sample()), False, bay.foreman)
    job.refresh_from_db()
    assert job.fresh_share == pytest.approx(0.7696, abs=1e-4)
    assert FluidSample.objects.get().state == "declined"


def test_the_same_report_again_is_the_same_sample_and_another_figure_is_asked_about(bay):
    job = bay.close()
    first = sample_record(bay.foreman, job, sample())
    assert sample_record(bay.foreman, job, sample()) == first
    with pytest.raises(ConflictError, match="other figures"):
        sample_record(bay.foreman, job, sample(226))


@pytest.mark.parametrize(
    ("given", "name", "words"),
    [
        (sample(before_mg_kg=220), "after_mg_kg", "less than 20 %"),
        (sample(280), "after_mg_kg", "outside 0 to 1"),
        (sample(200), "after_mg_kg", r"0\.681 \(stirred\) to 0\.902 \(pure push\)"),
        (sample(taken_on=TODAY - datetime.timedelta(days=1)), "taken_on", "before the job"),
        (sample(taken_on=TODAY + datetime.timedelta(days=1)), "taken_on", "not come yet"),
        (sample(element=" "), "element", "Which element"),
        (sample(ref=""), "laboratory_ref", "Which report"),
        (sample(float("nan")), "after_mg_kg", "cannot be"),
    ],
)
def test_a_sample_that_cannot_be_right_is_refused_in_one_sentence(bay, given, name, words):
    job = bay.close()
    with pytest.raises(InputError, match=words) as refused:
        sample_record(bay.foreman, job, given)
    assert list(refused.value.fields) == [name]
    assert not FluidSample.objects.exists()


def test_a_sample_of_a_job_that_noted_no_litres_is_refused(bay):
    job = bay.close()
    Job.objects.update(in_l=None)
    job.refresh_from_db()
    with pytest.raises(InputError, match="does not note what went in"):
        sample_record(bay.foreman, job, sample())


def test_one_sample_of_a_job_is_accepted_and_once(bay):
    job = bay.close()
    one, other = (sample_record(bay.foreman, job, sample(225, ref)) for ref in ("L-1", "L-2"))
    sample_decide(one, True, bay.foreman)
    with pytest.raises(ConflictError, match="accepted already"):
        sample_decide(other, True, bay.foreman)
    with pytest.raises(ConflictError, match="reload"):
        sample_decide(one, False, bay.foreman)


def test_a_full_change_has_no_age_to_give_back(bay):
    job = bay.close()
    LastService.objects.update(fresh_share=1.0, age_km=0)
    with pytest.raises(ConflictError, match="full change"):
        sample_decide(sample_record(bay.foreman, job, sample()), True, bay.foreman)
    job.refresh_from_db()
    assert job.fresh_share == pytest.approx(0.7696, abs=1e-4)


@pytest.mark.parametrize(("role", "records"), [("technician", True), ("apprentice", True), ("stores", False)])
def test_the_workshop_records_and_the_foreman_accepts(bay, role, records):
    job, person = bay.close(), PersonFactory(role=role, depots=[bay.depot])
    if records:
        taken = sample_record(person, job, sample())
        with pytest.raises(NotAllowed):
            sample_decide(taken, True, person)
    else:
        with pytest.raises(NotAllowed):
            sample_record(person, job, sample())


def test_three_samples_propose_how_the_model_mixes_and_the_next_job_uses_it(bay):
    # Shares near pure push, Ca 236, 238, 237 between 110 and 260: 0.840, 0.853, 0.847.
    job = bay.close()
    for place, after in enumerate((236, 238, 237)):
        sample_record(bay.foreman, job, sample(after, f"L-{place}"))
        line = next(line for line in learn_refit(TODAY).lines if line.figure == "mixing")
        assert line.n == place + 1
    assert (line.outcome, line.book, line.measured_in) == ("proposed", 0.6, "-")
    assert 0.25 < line.value < 0.6
    proposal = CardProposal.objects.get(figure="mixing")
    assert proposal.book_source == "guess"
    assert proposal.evidence["next"].startswith("The plan")
    proposal_decide(proposal, True, bay.foreman)
    held = CardFigure.objects.get(figure="mixing")
    assert (held.value, held.source, held.measured_in) == (pytest.approx(line.value), "learned", "-")
    after = bay.close(is_repeated=True)
    assert after.fresh_share > 0.7696
    again = next(line for line in learn_refit(TODAY).lines if line.figure == "mixing")
    assert (again.outcome, again.book) == ("agrees with the card", 0.6)


def test_a_drain_says_nothing_about_mixing_and_is_told(bay):
    job = bay.close(method="drain-and-refill", out_l=3.6, in_l=3.6)
    sample_record(bay.foreman, job, sample(158))
    line = next(line for line in learn_refit(TODAY).lines if line.figure == "mixing")
    assert "nothing about mixing" in line.set_aside[0]["reason"]
