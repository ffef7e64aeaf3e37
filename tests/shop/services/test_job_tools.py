"""Trays, jugs, scales and sticks: chosen at the job, learned from jobs, correcting readings once a person accepts."""

import datetime
import math

import pytest

from shop.errors import ConflictError, InputError, NotAllowed
from shop.models import CardFigure, CardProposal, ChangeRecord, Job, MeasuringTool
from shop.services.job_report import JobReport
from shop.services.jobs import job_close
from shop.services.learning import learn_refit
from shop.services.learning_proposals import proposal_decide
from shop.services.tools import ToolReport, tool_write
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

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

TODAY = datetime.date(2026, 3, 10)
CARD = {
    "total_fill_l": 11.2,
    "quick_drain_l": 3.6,
    "overnight_drain_l": 6.1,
    "ml_per_mm": 25.0,
    "stick_ref_c": 80.0,
}


class Shop:
    """One model with a stick on its card, one unit in one vehicle, a tray, a jug and a scale."""

    def __init__(self) -> None:
        self.depot = DepotFactory()
        product = ProductFactory(code="F01", density15_kg_m3=850)
        self.model = UnitModelFactory(
            code="TB6", product=product, methods=["drain-and-refill", "overnight drain"]
        )
        for figure, value in CARD.items():
            CardFigure.objects.create(
                unit_model=self.model, figure=figure, value=value, measured_in="L", source="maker"
            )
        self.unit = UnitFactory(code="K01-TB6", unit_model=self.model)
        vehicle = VehicleFactory(depot=self.depot, number="K01")
        FittingFactory(unit=self.unit, vehicle=vehicle)
        ReadingFactory(meter=MeterFactory(vehicle=vehicle), raw_value=100_000)
        StockItemFactory(depot=self.depot, product=product, on_shelf_l=40, pack_size_l=60)
        self.foreman = PersonFactory(role="foreman", depots=[self.depot])
        self.tray, self.jug, self.scale = (
            MeasuringTool.objects.create(code=code, depot=self.depot, kind=kind, limit=limit, limit_unit=unit)
            for code, kind, limit, unit in (
                ("T3", "tray", 5, "%"),
                ("J1", "jug", 3, "%"),
                ("S1", "scale", 10, "g"),
            )
        )

    def closed(self, **fields) -> Job:
        """Put a closed drain-and-refill into the records."""
        number = Job.objects.count()
        values = {
            "method": "drain-and-refill",
            "done_on": datetime.date(2025, 6, 1) + datetime.timedelta(days=number),
        }
        return Job.objects.create(
            code=f"J{number}", unit=self.unit, vehicle=self.unit.fittings.get().vehicle, state="handed back",
            product=self.model.product, **(values | fields),
        )  # fmt: skip

    def close(self, **fields) -> Job:
        """Close a job the way a person does."""
        report = {
            "method": "drain-and-refill", "done_on": TODAY, "out_l": 4.0, "out_temp_c": 20, "in_l": 4.0,
            "in_temp_c": 20, "level_reason": "level plug: fluid at the edge", "leak_checked": True, "road_tested": True,
            "done_by": "Bea", "meter_text": "100000",
        } | fields  # fmt: skip
        return job_close(self.foreman, self.unit, JobReport(**report))


@pytest.fixture
def shop() -> Shop:
    return Shop()


def line_of(figure: str):
    return next(line for line in learn_refit(TODAY).lines if line.figure == figure)


def read_high(shop: Shop, share: float = 0.04, n: int = 3) -> None:
    """Close jobs whose tray shows more than the scale: 3.60 L at 15 °C weigh 3.06 kg at 0.850 kg/L."""
    for _ in range(n):
        shop.closed(out_l=3.6 / (1 - share), out_temp_c=15, out_kg=3.06, tray=shop.tray, scale=shop.scale)


def test_a_tray_beside_a_scale_is_learned_and_corrects_later_readings_only_once_accepted(shop):
    # Three comparisons of +4.0 ± 1.2 % against 0 ± 4 %: the closed form gives 0.04·(3/1.2²)/(3/1.2² + 1/4²) = 3.88 %.
    read_high(shop)
    line = line_of("reading_error_share")
    assert (line.subject, line.outcome, line.n) == ("T3", "proposed", 3)
    assert line.value == pytest.approx(0.0388, abs=0.0001)
    assert line.sd == pytest.approx(0.0068, abs=0.0001)
    proposal = CardProposal.objects.get(tool=shop.tray)
    assert "6.00 L read on this tool will count as 5.77 L, now as 6.00 L." in proposal.evidence["next"]
    before = shop.close(tray="T3")
    assert before.fresh_share == pytest.approx(4.0 / 11.2, rel=1e-3)
    proposal_decide(proposal, True, shop.foreman)
    shop.tray.refresh_from_db()
    assert (shop.tray.error_source, shop.tray.error_since) == ("learned", TODAY)
    after = shop.close(tray="T3", is_repeated=True)
    assert after.out_l == 4.0
    assert after.fresh_share == pytest.approx(4.0 * (1 - line.value) / 11.2, rel=1e-3)
    assert "Tray T3 reads 3.9% high; corrected." in after.note
    assert ChangeRecord.objects.filter(table="measuring tool", key="T3").exists()


def test_what_was_accepted_is_not_learned_twice_from_the_same_jobs(shop):
    read_high(shop)
    line_of("reading_error_share")
    proposal_decide(CardProposal.objects.get(tool=shop.tray), True, shop.foreman)
    again = line_of("reading_error_share")
    assert (again.outcome, again.book) == ("agrees with the card", 0.0)


def test_a_tool_changed_meanwhile_is_not_overwritten(shop):
    read_high(shop)
    line_of("reading_error_share")
    MeasuringTool.objects.filter(code="T3").update(
        reading_error_share=0.01, error_source="house", error_since=TODAY
    )
    with pytest.raises(ConflictError, match="was changed since"):
        proposal_decide(CardProposal.objects.get(tool=shop.tray), True, shop.foreman)


def test_the_weight_of_what_went_in_serves_where_the_level_on_arrival_was_read(shop):
    # Reference calculation: (out_tray − net_in_weighed)/out. 6.10 L at 15 °C weighed in, 0.10 L were missing: 4 mm of
    # 25 mL/mm under the mark at 80 °C. So 6.00 L came out where the tray shows 6.25.
    shop.closed(
        out_l=6.25, out_temp_c=15, in_kg=6.10 * 0.85, tray=shop.tray, arrival_mm=-4, arrival_temp_c=80,
        method="overnight drain",
    )  # fmt: skip
    shop.closed(out_l=6.25, out_temp_c=15, in_kg=6.10 * 0.85, tray=shop.tray, method="overnight drain")
    line = line_of("reading_error_share")
    assert line.used[0]["value"] == pytest.approx(0.04, abs=1e-4)
    assert "level on arrival was not read" in line.set_aside[0]["reason"]


def test_a_scale_whose_calibration_ended_teaches_nothing(shop):
    MeasuringTool.objects.filter(code="S1").update(calibrated_until=datetime.date(2025, 5, 31))
    read_high(shop)
    line = line_of("reading_error_share")
    assert line.n == 0
    assert "calibrated only until 2025-05-31" in line.set_aside[0]["reason"]
    drain = line_of("quick_drain_l")
    assert {row["measured_by"] for row in drain.used} == {"litres and temperature"}


def test_a_known_removal_teaches_the_stick(shop):
    # Reference calculation: 180 mL moved the stick 7.5 mm, so 24.0 mL/mm; the card's 25 ± 5 barely pulls three of them.
    for _ in range(3):
        shop.closed(
            moved_ml=-180, moved_from_mm=4.0, moved_to_mm=-3.5, kind="correction", method="level correction"
        )
    line = line_of("ml_per_mm")
    u = math.hypot(10 / 7.5, math.sqrt(2) * 24 * 0.5 / 7.5)
    assert line.used[0]["value"] == pytest.approx(24.0)
    assert line.used[0]["sd"] == pytest.approx(u)
    assert 24.0 < line.value < 24.3
    assert line.outcome == "too uncertain"


def test_a_surer_stick_makes_a_proposal_and_accepting_changes_the_card(shop):
    for _ in range(5):
        shop.closed(
            moved_ml=-360, moved_from_mm=8.0, moved_to_mm=-8.0, kind="correction", method="level correction"
        )
    line = line_of("ml_per_mm")
    assert line.outcome == "proposed"
    assert line.value == pytest.approx(22.5, abs=0.1)
    proposal = CardProposal.objects.get()
    assert proposal.evidence["next"] == "A stick 4 mm over means 90 mL too much, now 100 mL."
    proposal_decide(proposal, True, shop.foreman)
    held = CardFigure.objects.get(figure="ml_per_mm")
    assert (held.value, held.source) == (pytest.approx(line.value), "learned")


def test_a_drain_from_warm_and_long_is_brought_to_ten_minutes_from_hot(shop):
    # Reference calculation: 38 min from 55 °C in a shed at 15 °C give 4.03 L where ten minutes give 3.62.
    shop.closed(out_kg=4.03 * 0.85, drain_minutes=38, drain_start_c=55, shed_c=15)
    seen = line_of("quick_drain_l").used[0]
    assert seen["value"] == pytest.approx(3.6, abs=0.04)


def test_a_unit_that_arrived_low_is_brought_to_its_right_level(shop):
    # Reference calculation: 4 mm under the mark at 80 °C are 0.10 L at 25 mL/mm.
    shop.closed(out_kg=3.5 * 0.85, arrival_mm=-4, arrival_temp_c=80)
    assert line_of("quick_drain_l").used[0]["value"] == pytest.approx(3.6)


def test_a_night_that_was_none_is_not_learned_as_one(shop):
    shop.closed(out_kg=5.0 * 0.85, method="overnight drain", drain_minutes=4 * 60)
    assert "not overnight" in line_of("overnight_drain_l").set_aside[0]["reason"]


@pytest.mark.parametrize(
    ("fields", "name", "words"),
    [
        ({"tray": "T9"}, "tray", "There is no tray “T9”"),
        ({"tray": "S1"}, "tray", "S1 is a scale, not a tray"),
        ({"jug": "J1"}, "jug", "J1 is out of use"),
        ({"moved_ml": 180.0}, "moved_from_mm", "before and after"),
        ({"moved_ml": 180.0, "moved_from_mm": 4.0, "moved_to_mm": 0.0}, "moved_ml", "poured in raises"),
        ({"drain_minutes": -1.0}, "drain_minutes", "cannot be"),
        ({"shed_c": float("nan")}, "shed_c", "cannot be"),
    ],
)
def test_what_was_measured_with_is_checked(shop, fields, name, words):
    MeasuringTool.objects.filter(code="J1").update(is_out_of_use=True)
    with pytest.raises(InputError, match=words) as refused:
        shop.close(**fields)
    assert name in refused.value.fields
    assert not Job.objects.exists()


def test_another_depots_tool_is_as_unknown_as_none(shop):
    MeasuringTool.objects.create(code="T8", depot=DepotFactory(code="ZY", name="Other yard"), kind="tray")
    with pytest.raises(InputError, match="There is no tray “T8”"):
        shop.close(tray="T8")


def test_a_calibration_that_ended_is_told_on_the_job(shop):
    MeasuringTool.objects.filter(code="S1").update(calibrated_until=datetime.date(2026, 2, 15))
    job = shop.close(scale="S1", drain_minutes=10, arrival_mm=0, arrival_temp_c=80)
    assert "Calibration of scale S1 ended 2026-02-15." in job.note
    assert (job.scale.code, job.drain_minutes) == ("S1", 10)


def test_tools_are_kept_by_who_may_change_unit_data(shop):
    given = ToolReport("T5", "UY", "tray", 2.0, reading_error_share=0.02)
    tool = tool_write(shop.foreman, given)
    assert (tool.error_source, tool.error_since) == ("house", TODAY)
    noted = ChangeRecord.objects.count()
    assert tool_write(shop.foreman, given).pk == tool.pk
    assert ChangeRecord.objects.count() == noted
    with pytest.raises(NotAllowed):
        tool_write(PersonFactory(role="technician", depots=[shop.depot]), given)


@pytest.mark.parametrize(
    ("given", "name"),
    [
        (ToolReport("T/5", "UY", "tray"), "code"),
        (ToolReport("", "UY", "tray"), "code"),
        (ToolReport("T5", "ZZ", "tray"), "depot"),
        (ToolReport("T5", "UY", "bucket"), "kind"),
        (ToolReport("T5", "UY", "tray", -1.0), "limit"),
        (ToolReport("T5", "UY", "tray", 10.0, "g"), "limit_unit"),
        (ToolReport("T5", "UY", "scale", reading_error_share=0.01), "reading_error_share"),
        (ToolReport("T5", "UY", "tray", reading_error_share=0.9), "reading_error_share"),
    ],
)
def test_a_tool_that_cannot_be_is_refused_by_field(shop, given, name):
    with pytest.raises(InputError) as refused:
        tool_write(shop.foreman, given)
    assert name in refused.value.fields
