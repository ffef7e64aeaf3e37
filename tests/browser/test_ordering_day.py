"""The service desk's morning and the days after it, page by page: what is short, ordered, reserved, in, set aside."""

import datetime

import pytest
from playwright.sync_api import Browser, Page, expect

from shop import clock
from shop.models import Depot, OrderedLine
from shop.services.daily_run import run_steps
from tests.browser.conftest import open_page

FRIDAY = datetime.datetime(2026, 3, 6, 9, 0, tzinfo=datetime.UTC)


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
            "Jobs, on average",
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
    packs = desk.get_by_role("group", name="Packs 1", exact=True)
    for label, value in (
        ("Pack size, L", "60"),
        ("Packs", "1"),
        ("Batch", "ATF-2603"),
        ("Use-by", "2030-03-01"),
    ):
        packs.get_by_label(label, exact=True).fill(value)
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
    expect(desk.locator("main")).to_contain_text("K01")
    expect(desk.locator("main")).to_contain_text("batch")
