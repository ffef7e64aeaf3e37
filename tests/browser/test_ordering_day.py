"""The service desk's morning and the days after it, page by page: what is short, ordered, reserved, in, set aside."""

import datetime
import re

import pytest
from playwright.sync_api import Browser, Page, expect

from shop import clock
from shop.models import Depot, OrderedLine
from shop.services.daily_run import run_steps
from tests.browser.conftest import open_page

FRIDAY = datetime.datetime(2026, 3, 6, 9, 0, tzinfo=datetime.UTC)
NEXT_MONDAY = datetime.datetime(2026, 3, 9, 9, 0, tzinfo=datetime.UTC)


@pytest.fixture
def desk(browser: Browser, site: str) -> Page:
    return open_page(browser, site)


def order_of(page: Page, code: str):
    return page.locator("article.order").filter(has_text=code)


def test_the_ordering_morning(desk: Page, site: str) -> None:
    desk.goto(f"{site}/orders")
    for code, sums in (
        ("F01", ["79.7 L needed", "23 L free", "56.7 L short", "60 L to order"]),
        ("F05", ["37.2 L needed", "20 L free", "17.2 L short", "20 L to order"]),
        ("F15", ["120.5 L needed", "100 L free", "20.5 L short", "40 L to order"]),
    ):
        for own in sums:
            expect(order_of(desk, code).locator(".order-sum")).to_contain_text(own)
    expect(order_of(desk, "F15").locator(".order-packs")).to_contain_text("2 × 20 L")
    expect(order_of(desk, "F01")).to_contain_text("K14-VB2: 3.9 L reserved here may not go into it")


def test_the_sum_of_the_gearbox_oil_names_each_job_and_its_chance(desk: Page, site: str) -> None:
    desk.goto(f"{site}/orders")
    order = order_of(desk, "F01")
    order.locator("summary").click()
    rows = [row.inner_text().split("\t") for row in order.locator("tbody tr").all()]
    assert {(row[0].strip(), row[1].strip(), row[2].split("\n")[0].replace("\u202f", "")) for row in rows} == {
        ("K08 gearbox", "10.6", "100%"), ("K01 gearbox", "10.6", "97%"), ("K02 gearbox", "10.6", "95%"),
        ("K19 gearbox", "10.6", "95%"), ("K09 gearbox", "10.6", "70%"), ("K06 gearbox", "10.6", "45%"),
        ("K18 gearbox", "10.6", "40%"), ("K18 transfer case", "1.8", "40%"), ("K03 gearbox", "10.6", "15%"),
        ("K04 gearbox", "10.6", "10%"),
    }  # fmt: skip
    sums = order.locator("dl.facts")
    for own in ("61.8", "± 10.9", "61.82 + 1.645 × 10.86", "79.7", "406.46"):
        expect(sums).to_contain_text(own)
    expect(order).to_contain_text("Falls if not ordered: K02 gearbox, K19 gearbox, K09 gearbox")
    expect(order_of(desk, "F05")).to_contain_text("Falls if not ordered: K30 gearbox")
    expect(order_of(desk, "F15")).to_contain_text("Falls if not ordered: K34 work hydraulics")


def test_the_board_calls_for_the_order_and_the_collector(desk: Page, site: str) -> None:
    desk.goto(f"{site}/")
    expect(desk.locator("main")).to_contain_text("before 14:00")
    expect(desk.locator("main")).to_contain_text("630 of 1\u202f000 L")


def test_the_shelves_tell_what_is_there_and_what_is_not_for_a_job(desk: Page, site: str) -> None:
    desk.goto(f"{site}/stock")
    for code, sums in (
        ("F01", ["25.6 L", "0 L", "0 L", "2.6 L", "23 L"]),
        ("F05", ["40 L", "0 L", "20 L", "0 L", "20 L"]),
        ("F14", ["9.7 L", "0 L", "0 L", "0.7 L", "9 L"]),
    ):
        row = desk.locator("tr.stock-sum").filter(has=desk.locator("strong", has_text=code))
        assert [cell.inner_text().replace("\u00a0", " ") for cell in row.locator("td").all()][:5] == sums
    expect(desk.locator("main")).to_contain_text("opened 20 Feb 2025, was to be used by 20 Feb 2026")
    expect(desk.locator("main")).to_contain_text("opened 10 Apr 2025, to be used by 10 Apr 2026")
    desk.goto(f"{site}/labels/F02")
    for model in ("not into TB6", "not into TC2"):
        expect(desk.locator(".label-never")).to_contain_text(model)
    desk.goto(f"{site}/tanks")
    expect(desk.locator("main")).to_contain_text("853 L at 15 °C")
    desk.goto(f"{site}/fluids/fewest")
    expect(desk.locator("main")).to_contain_text("17 products today, 15 would do")


def test_the_collector_is_called_and_empties_the_tank_a_week_later(desk: Page, site: str) -> None:
    desk.goto(f"{site}/wastes")
    expect(desk.locator("main")).to_contain_text("630 of 1\u202f000 L, call at 602")
    expect(desk.locator("main")).to_contain_text("call the collector today")
    desk.get_by_role("link", name="Call a collector").click()
    expect(desk.get_by_label("Collector", exact=True).locator("option:checked")).to_have_text(
        "Sumpholme Collections, from 400 L on"
    )
    expect(desk.get_by_label("used oil (630 L in it), L expected")).to_have_value("630.0")
    desk.get_by_role("button", name="Note the call").click()
    paper = desk.url
    desk.goto(f"{site}/wastes")
    expect(desk.locator("main")).not_to_contain_text("call the collector today")
    clock.pin(NEXT_MONDAY)
    desk.goto(paper)
    desk.get_by_label("Number of the transfer note").fill("ZN 4711")
    desk.get_by_role("button", name="Book the collection").click()
    expect(desk.get_by_role("heading", name="Paper ZN 4711")).to_be_visible()
    desk.goto(f"{site}/wastes")
    expect(desk.locator("main")).to_contain_text("0 of 1\u202f000 L, call at 602")
    assert desk.complaints == []


def close_job(desk: Page, site: str, unit: str, meter: str, litres: str, batch: str, hot_c: str) -> None:
    """Record a finished job whose litres were read at 20 °C, as stock is counted."""
    desk.goto(f"{site}/units/{unit}/job")
    for label, value in (
        (re.compile("^(Odometer|Engine hours), as the meter shows"), meter),
        ("Came out, L", litres), ("Went in, L", litres),
        ("Batch or pack label", batch), ("Fluid temperature at the level check, °C", hot_c),
        ("Level against the mark, mm", "0"),
    ):  # fmt: skip
        desk.get_by_label(label).fill(value)
    for group in ("Came out", "Went in"):
        desk.get_by_role("group", name=group).get_by_label("Its temperature, °C").fill("20")
    desk.get_by_label("Looked for leaks, hot").check()
    desk.get_by_label("Road test done").check()
    desk.get_by_role("button", name="Close the job").click()
    expect(desk.get_by_role("status").first).to_contain_text("is closed")


@pytest.mark.parametrize(
    ("unit", "meter", "litres", "product", "batch", "left", "in_tank"),
    [
        ("K01-TB6", "131550", "10.0", "F01", "ATF-2511", "10\u00a0L", "640"),
        ("K22-HA7", "8415", "24.0", "F04", "HD-2503", "37\u00a0L", "654"),
    ],
)
def test_a_closed_job_takes_from_the_batch_and_fills_the_waste_tank(
    desk: Page,
    site: str,
    unit: str,
    meter: str,
    litres: str,
    product: str,
    batch: str,
    left: str,
    in_tank: str,
) -> None:
    close_job(desk, site, unit, meter, litres, batch, "80" if unit == "K01-TB6" else "85")
    desk.goto(f"{site}/stock")
    row = desk.locator("tr.stock-item").filter(has_text=batch)
    expect(row.locator("td").first).to_have_text(left)
    desk.goto(f"{site}/batches/{product}/{batch}")
    expect(desk.get_by_role("link", name=unit[:3], exact=True).first).to_be_visible()
    desk.goto(f"{site}/wastes")
    expect(desk.locator("main")).to_contain_text(f"{in_tank} of 1\u202f000 L")


def test_every_figure_of_the_list_opens_to_its_sum(desk: Page, site: str) -> None:
    desk.goto(f"{site}/orders")
    for order in desk.locator("article.order").all():
        order.locator("summary").click()
        sums = order.locator("dl.facts").inner_text()
        for name in (
            "On the shelf",
            "− reserved",
            "− quarantine",
            "− past use-by",
            "Free",
            "Jobs, litres × chance",
            "+ top-ups",
            "On average",
            "Spread",
        ):
            assert name in sums
        expect(order.get_by_text("Jobs behind it")).to_be_visible()
    quarantined = order_of(desk, "F05").locator("dl.facts div").filter(has_text="− quarantine")
    expect(quarantined.locator("dd")).to_have_text("20 L")


def test_the_order_goes_out_and_the_list_counts_it(desk: Page, site: str) -> None:
    desk.goto(f"{site}/orders")
    desk.get_by_role("link", name="Place an order with Brinnock Oils").click()
    expect(desk.get_by_label("F01 60 L, packs")).to_have_value("1")
    expect(desk.get_by_label("F15 20 L, packs")).to_have_value("2")
    desk.get_by_role("button", name="Place the order").click()
    expect(desk.locator("h1")).to_contain_text("Order UY-2026-")
    expect(desk.locator(".side").filter(has_text="Mail to the supplier")).to_contain_text(
        "orders@brinnock.example"
    )
    number = desk.locator("h1").inner_text().removeprefix("Order ")
    desk.goto(f"{site}/orders")
    expect(desk.get_by_role("link", name=number)).to_be_visible()
    expect(desk.locator("article.order")).to_have_count(1)
    expect(desk.locator(".order-packs")).to_contain_text("1 × 20 L")
    # The delivery is read in on Friday: one pack, its batch and use-by; the order's line closes.
    clock.pin(FRIDAY)
    line = OrderedLine.objects.get(order__number=number, product__code="F01")
    desk.goto(f"{site}/goods-in?order={line.pk}")
    desk.get_by_label("Scan a pack").fill("(01)04150000021126(3150)000060(17)300301(10)ATF-2603")
    desk.get_by_label("Scan a pack").press("Enter")
    expect(desk.get_by_role("status").first).to_contain_text("Packs 1: 1 of batch ATF-2603.")
    packs = desk.get_by_role("group", name="Packs 1", exact=True)
    for label, value in (
        ("Pack size, L", "60"),
        ("Packs", "1"),
        ("Batch", "ATF-2603"),
        ("Use-by", "2030-03-01"),
    ):
        expect(packs.get_by_label(label, exact=True)).to_have_value(value)
    desk.get_by_role("button", name="Book them in").click()
    expect(desk.get_by_role("status").first).to_contain_text("60 L of F01 are in")
    desk.goto(f"{site}/orders/{number}")
    expect(desk.locator(".lead")).to_contain_text("Part received")
    for depot in Depot.objects.order_by("code"):
        assert not run_steps(depot, FRIDAY.date()).error
    desk.goto(f"{site}/stock")
    expect(desk.locator("main")).to_contain_text("ATF-2603")
    assert desk.complaints == []


def test_the_variator_box_gets_its_own_fluid(desk: Page, site: str) -> None:
    desk.goto(f"{site}/units/K14-VB2")
    expect(desk.locator("main")).to_contain_text("the variator takes variator fluid only")
    desk.get_by_role("button", name="Reserve F03 for the next job").click()
    expect(desk.get_by_role("status").first).to_contain_text("3.9 L of F01 are free again")
    desk.goto(f"{site}/orders")
    expect(desk.locator(".blocked")).to_have_count(0)


def test_a_notice_on_a_batch_finds_the_bus_that_has_it(desk: Page, site: str) -> None:
    desk.goto(f"{site}/batches/F05/BA-2507")
    expect(desk.get_by_role("link", name="K28", exact=True)).to_be_visible()
    expect(desk.locator("main")).to_contain_text("in quarantine")


def test_tomorrow_s_fluid_is_picked_first_expired_first(desk: Page, site: str) -> None:
    desk.goto(f"{site}/pick-list?day=2026-03-02")
    k04, k01 = (desk.locator(".picks tr").filter(has_text=number) for number in ("K04", "K01"))
    for row, words in (
        (k04, "batch ATF-2504: 3 L"),
        (k04, "batch ATF-2511: 7.6 L"),
        (k01, "batch ATF-2511: 10.6 L"),
    ):
        expect(row).to_contain_text(words)
    for row in (k04, k01):
        expect(row).to_contain_text("0.5 mL thread sealant")
        expect(row).not_to_contain_text("washer")
        expect(row).not_to_contain_text("filter")
    expect(desk.locator("main")).not_to_contain_text("ATF-2411")
