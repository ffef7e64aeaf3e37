"""Measuring tools and samples from CSV files; loading a unit card again leaves learned figures alone."""

import pytest

from shop.models import CardFigure, ChangeRecord, FluidSample, Job, MeasuringTool
from tests.shop.services.small_fleet import counts, load, sentences

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("pinned_clock")]

CARD = "model,unit,figure,value,unit_of_measure,source\nTB6,,quick_drain_l,3.6,L,maker\nTB6,,heel_l,0.4,L,house\n"
TOOLS = "tool,depot,kind,limit,limit_unit,reading_error_share,error_source,error_since\n"
JOBS = (
    "job,unit,method,state,done_on,out_l,in_l,in_temp_c,tray,drain_minutes\n"
    "J1,K01-TB6,overnight drain + cooler-line exchange,handed back,2026-03-01,10.1,10.1,20,T1,900\n"
)
SAMPLES = "job,taken_on,element,before_mg_kg,new_mg_kg,after_mg_kg,laboratory_ref\n"


@pytest.fixture
def learned(fleet) -> CardFigure:
    figure = CardFigure.objects.get(figure="quick_drain_l")
    figure.value, figure.source = 3.94, "learned"
    figure.save()
    return figure


def test_a_learned_figure_stays_and_the_report_says_so_in_one_sentence(learned):
    report = load({"unit_card.csv": CARD})
    learned.refresh_from_db()
    assert (learned.value, learned.source) == (3.94, "learned")
    (remark,) = report.files[0].remarks
    assert remark == (
        "TB6 quick_drain_l: the 3.94 L learned from jobs stay, not the 3.6 of row 2; write yes under replaces_learned "
        "to overwrite them."
    )
    assert counts(report)["unit_card.csv"]["added"] == 1
    assert report.as_data()["files"][0]["remarks"] == [remark]


@pytest.mark.parametrize(
    ("row", "left"),
    [
        ("3.6,L,maker,yes", (3.6, "maker")),
        ("3.9,L,learned,", (3.9, "learned")),
        ("3.6,L,maker,no", (3.94, "learned")),
    ],
)
def test_a_row_that_says_so_replaces_it(learned, row, left):
    load(
        {
            "unit_card.csv": "model,unit,figure,value,unit_of_measure,source,replaces_learned\n"
            f"TB6,,quick_drain_l,{row}\n"
        }
    )
    learned.refresh_from_db()
    assert (learned.value, learned.source) == left


def test_a_figure_of_one_unit_is_not_held_back_by_its_models_learned_one(learned):
    load(
        {
            "unit_card.csv": "model,unit,figure,value,unit_of_measure,source\n,K01-TB6,quick_drain_l,3.7,L,house\n"
        }
    )
    assert CardFigure.objects.get(unit__code="K01-TB6").value == 3.7


def test_tools_jobs_and_samples_go_in_together_and_twice_changes_nothing(fleet):
    files = {
        "tools.csv": TOOLS
        + "T1,UY,tray,5,%,,,\nT3,UY,tray,1,%,0.0385,house,2025-06-02\nS1,UY,scale,10,g,,,\n",
        "jobs.csv": JOBS,
        "samples.csv": SAMPLES + "J1,2026-03-02,Ca,110,260,225,L-1\n",
    }
    report = load(files)
    assert sentences(report) == []
    assert MeasuringTool.objects.get(code="T3").reading_error_share == 0.0385
    job = Job.objects.get(code="J1")
    assert (job.tray.code, job.drain_minutes) == ("T1", 900)
    assert FluidSample.objects.get().job == job
    assert not load(files).has_changes


@pytest.mark.parametrize(
    ("file", "row", "words"),
    [
        ("tools.csv", TOOLS + "T1,UY,bucket,5,%,,,\n", "“bucket” is not allowed here"),
        ("tools.csv", TOOLS + "T1,UY,tray,5,g,,,\n", "the limit of a tray is given in %"),
        ("tools.csv", TOOLS + "S1,UY,scale,10,g,0.01,house,2025-06-02\n", "only a tray or jug"),
        ("tools.csv", TOOLS + "T1,UY,tray,5,%,0.04,,\n", "a reading error needs its source"),
        ("samples.csv", SAMPLES + "J9,2026-03-02,Ca,110,260,225,L-1\n", "there is no job “J9”"),
        ("samples.csv", SAMPLES + "J1,2026-02-02,Ca,110,260,225,L-1\n", "a sample is taken after it"),
        ("samples.csv", SAMPLES + "J1,2026-03-02,Ca,220,260,225,L-1\n", "differ by less than 20 %"),
        (
            "samples.csv",
            SAMPLES + "J1,2026-03-02,Ca,110,260,200,L-1\n",
            "0.681 (stirred) to 0.902 (pure push)",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_row_and_column(fleet, file, row, words):
    load({"tools.csv": TOOLS + "T1,UY,tray,5,%,,,\n", "jobs.csv": JOBS})
    sentence = sentences(load({file: row}))[0]
    assert words in sentence
    assert "Row 2" in sentence


def test_a_reading_error_learned_from_jobs_stays(fleet):
    row = TOOLS + "T3,UY,tray,1,%,0.0385,house,2025-06-02\n"
    load({"tools.csv": row})
    MeasuringTool.objects.update(reading_error_share=0.031, error_source="learned", error_since="2026-01-01")
    noted = ChangeRecord.objects.count()
    report = load({"tools.csv": row.replace(",1,%", ",2,%")})
    tool = MeasuringTool.objects.get()
    assert (tool.limit, tool.reading_error_share, tool.error_source) == (2.0, 0.031, "learned")
    assert report.files[0].remarks == ["T3: the reading error learned from jobs stays."]
    assert ChangeRecord.objects.count() == noted + 1
