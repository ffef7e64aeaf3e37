"""The waste pages: levels, bookings, collections, balance."""

import csv
import io

import pytest

from shop.models import Job, Pack, Person, Supplier, Unit, WasteCollection, WasteMovement, WasteTank
from shop.services.job_report import JobReport
from shop.services.jobs import job_close
from tests.factories import DepotFactory, VehicleFactory
from tests.shop.web.conftest import TODAY


@pytest.fixture
def oil(yard):
    return WasteTank.objects.get(depot=yard.depot)


@pytest.fixture
def collector(yard):
    return Supplier.objects.create(
        code="SC", name="Sumpholme Collections", lead_working_days=5, minimum_l=400
    )


def level(tank):
    return WasteTank.objects.get(pk=tank.pk).level_l


def test_the_list_shows_level_call_and_where_the_figures_come_from(foreman, oil):
    page = foreman.get("/wastes").content.decode()
    assert "call the collector today" in page
    assert "630 of 1" in page
    assert "as typed" in page
    assert "40 CFR 279.22" in page
    assert "local code decides" in page
    assert f'href="/wastes/{oil.pk}"' in foreman.get("/").content.decode()
    assert 'href="/wastes"' in foreman.get("/stock").content.decode()


def test_streams_jobs_drain_but_nobody_counts_are_named(foreman, yard):
    yard.product.waste_stream = "coolant"
    yard.product.save()
    assert "UY: coolant" in foreman.get("/wastes").content.decode()


def test_the_container_shows_the_weeks_ahead_with_the_jobs_due(foreman, oil):
    page = foreman.get(f"/wastes/{oil.pk}")
    weeks = page.context["weeks"]
    assert weeks[1][0].mean_l == pytest.approx(630 + 7 * 42)
    # Four of the yard's boxes are near or past their interval, each with more than 8 L in its plan.
    assert page.context["ahead"].jobs >= 3
    assert 630 + 20 < weeks[-1][1].mean_l < 630 + 5 * 14
    assert "nine tenths of the brim" in page.content.decode()


def test_pouring_another_stream_is_refused_beside_the_field(foreman, oil):
    answer = foreman.post(f"/wastes/{oil.pk}/pour", {"stream": "coolant", "litres": "5"})
    assert answer.status_code == 422
    assert "takes used oil, not coolant" in answer.content.decode()
    assert level(oil) == 630
    assert foreman.post(f"/wastes/{oil.pk}/pour", {"stream": "used oil", "litres": "5"}).status_code == 302
    assert level(oil) == 635


def test_a_dip_needs_a_reason_and_stays_on_the_page(foreman, oil):
    assert foreman.post(f"/wastes/{oil.pk}/dip", {"level_l": "600", "note": ""}).status_code == 422
    foreman.post(f"/wastes/{oil.pk}/dip", {"level_l": "600", "note": "stick, Monday"})
    page = foreman.get(f"/wastes/{oil.pk}").content.decode()
    assert level(oil) == 600
    assert "dipped: stick, Monday" in page


def test_a_visit_from_the_call_to_the_paper_and_the_csv_file(foreman, oil, collector):
    offered = foreman.get("/wastes/call").context["form"]
    assert offered.initial == {f"litres_{oil.pk}": 630}
    below = foreman.post("/wastes/call", {"collector": collector.pk, f"litres_{oil.pk}": "300"})
    assert below.status_code == 422
    assert "below the 400 L" in below.content.decode()
    foreman.post("/wastes/call", {"collector": collector.pk, f"litres_{oil.pk}": "630"})
    visit = WasteCollection.objects.get()
    assert "collector called" in foreman.get("/").content.decode()
    assert offered.fields.keys() - foreman.get("/wastes/call").context["form"].fields.keys() == {
        f"litres_{oil.pk}"
    }
    line = visit.lines.get()
    given = {f"litres_{line.pk}": "620", f"kg_{line.pk}": "551", "collected_on": "2026-03-02",
             "paper_number": "=BN 4711", "receipt": "driver, lorry 7"}  # fmt: skip
    answer = foreman.post(f"/wastes/collections/{visit.pk}/done", given, follow=True)
    page = answer.content.decode()
    assert "10 L of used oil" in page
    assert "Paper =BN 4711" in page
    assert level(oil) == pytest.approx(10)
    text = foreman.get("/wastes/collections.csv?from=2026-03-01&until=2026-03-31").getvalue().decode()
    row = next(csv.DictReader(io.StringIO(text)))
    assert (row["stream"], row["collected_l"], row["weighed_kg"]) == ("used oil", "620.0", "551.0")
    assert row["paper_number"] == "'=BN 4711"
    assert len(foreman.get("/wastes/collections.csv?until=2026-03-01").getvalue().splitlines()) == 1
    assert foreman.get("/wastes/collections.csv?from=soon").status_code == 302


def test_who_sells_fluid_is_not_offered_as_the_usual_collector(foreman, oil, collector):
    seller = Pack.objects.get().supplier
    form = foreman.get("/wastes/call").context["form"]
    words = [str(label) for _, label in form.fields["collector"].choices]
    assert form.fields["collector"].initial == collector.pk
    assert words[1:] == [
        "Sumpholme Collections, from 400 L on", f"{seller.name} (sells fluid, has not collected yet)",
    ]  # fmt: skip
    WasteCollection.objects.create(
        depot=oil.depot,
        collector=seller,
        called_on=TODAY,
        state="done",
        collected_on=TODAY,
        paper_number="4711",
    )
    form = foreman.get("/wastes/call").context["form"]
    assert form.fields["collector"].initial is None
    assert [str(label) for _, label in form.fields["collector"].choices][1] == seller.name


def test_a_cancelled_visit_says_why(foreman, oil, collector):
    foreman.post("/wastes/call", {"collector": collector.pk, f"litres_{oil.pk}": "630"})
    visit = WasteCollection.objects.get()
    assert foreman.post(f"/wastes/collections/{visit.pk}/cancel", {"note": ""}).status_code == 422
    foreman.post(f"/wastes/collections/{visit.pk}/cancel", {"note": "lorry broke down"})
    assert "lorry broke down" in foreman.get(f"/wastes/collections/{visit.pk}").content.decode()
    assert foreman.get("/wastes/call").context["form"].containers


def test_the_foreman_adds_and_changes_containers(foreman, oil):
    figures = {"capacity_l": "208", "mean_per_day_l": "3", "sd_per_day_l": "2", "collector_lead_days": "5",
               "place": "drum", "waste_code": "16 01 14*"}  # fmt: skip
    twice = foreman.post("/wastes/add", figures | {"depot": "UY", "stream": "used oil"})
    assert twice.status_code == 422
    foreman.post("/wastes/add", figures | {"depot": "UY", "stream": "coolant"})
    made = WasteTank.objects.get(stream="coolant")
    assert (made.capacity_l, made.level_l) == (208, 0)
    foreman.post(f"/wastes/{made.pk}/change", figures | {"capacity_l": "120"})
    made.refresh_from_db()
    assert (made.capacity_l, made.stream) == (120, "coolant")
    assert "16 01 14*" in foreman.get(f"/wastes/{made.pk}/change").content.decode()


@pytest.mark.parametrize(
    ("role", "address", "status"),
    [
        ("apprentice", "/wastes/{}/dip", 403), ("technician", "/wastes/add", 403), ("stores", "/wastes/{}/change", 403),
        ("technician", "/wastes/call", 403), ("apprentice", "/wastes/{}/pour", 422), ("stores", "/wastes/{}/dip", 422),
    ],
)  # fmt: skip
def test_roles_decide_who_books(sign_in, oil, role, address, status):
    assert sign_in(role).post(address.format(oil.pk), {}).status_code == status
    assert not WasteMovement.objects.exists()


@pytest.mark.parametrize("end", ["", "/pour", "/dip", "/change"])
def test_another_depots_container_is_as_unknown_as_none(foreman, other_yard, end):
    tank = WasteTank.objects.get(depot=other_yard.depot)
    client = foreman.get if end in ("", "/change") else foreman.post
    assert client(f"/wastes/{tank.pk}{end}").status_code == 404
    assert client(f"/wastes/999{end}").status_code == 404


def test_the_balance_of_a_closed_job_is_even_and_of_one_poured_away_is_looked_at(foreman, yard, oil):
    report = JobReport(
        method="drain-and-refill", done_on=TODAY, out_l=3.6, out_temp_c=20.0, in_l=3.6, in_temp_c=20.0,
        level_temp_c=80.0,
        level_reading_mm=0.0, leak_checked=True, road_tested=True, meter_text="100000", done_by="Bea",
    )  # fmt: skip
    job_close(Person.objects.first(), Unit.objects.get(code="K02-TB6"), report)
    ((_, month),) = foreman.get("/wastes/balance").context["shown"][0][0].months
    assert month.figures.filled_l == pytest.approx(3.6)
    assert month.figures.poured_by_jobs_l == pytest.approx(3.6)
    assert not month.is_to_look_at
    WasteMovement.objects.all().delete()
    WasteMovement.objects.create(tank=oil, litres=1.0, job=Job.objects.get(), moved_at="2026-03-02T05:00Z")
    page = foreman.get("/wastes/balance")
    ((_, month),) = page.context["shown"][0][0].months
    assert month.gathered.gap_share == pytest.approx(2.6 / 3.6)
    assert "drained but not booked into this container" in page.content.decode()


def test_jobs_of_a_depot_that_keeps_its_stores_here_count_here(foreman, yard, oil):
    outpost = DepotFactory(code="LY", name="Lower Yard", stores_at=yard.depot)
    Job.objects.create(
        code="J1", unit=Unit.objects.get(code="K02-TB6"), vehicle=VehicleFactory(depot=outpost), kind="top-up",
        state="handed back", done_on="2026-02-10", in_l=2.0,
    )  # fmt: skip
    ((_, month),) = foreman.get("/wastes/balance").context["shown"][0][0].months
    assert (month.figures.filled_l, month.figures.lost_l, month.figures.expected_l) == (2.0, 2.0, 0.0)
    WasteTank.objects.create(
        depot=outpost, stream="used oil", capacity_l=200, level_l=0, mean_per_day_l=1, sd_per_day_l=1,
        collector_lead_days=5,
    )  # fmt: skip
    assert foreman.get("/wastes/balance").context["shown"][0][0].months == ()
