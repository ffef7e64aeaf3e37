"""Every page in Chromium: no accessibility violation of axe-core, no complaint of the browser, works on a phone."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import open_page

PAGES = [
    "/", "/due", "/due?show=everything", "/units/K01-TB6", "/units/K02-TB6", "/units/K40-RT55", "/units/K01-TB6/job",
    "/units/K01-TB6/sample", "/learning", "/tools", "/tools/T3", "/vehicles/K18",
    "/vehicles/K05/meters", "/orders", "/readings",
    "/order-drafts/UY/Brinnock", "/suppliers/Brinnock", "/suppliers/Sumpholme",
    "/stock", "/stock/count", "/stock/1", "/goods-in", "/pick-list?day=2026-03-02", "/batches/F05/BA-2507",
    "/labels/F07",
    "/forecasts", "/forecasts?meter=engine+hours", "/nothing-here",
    "/units/K22-CL-H?found=32&drained=17", "/units/K22-CL-H/job", "/units/K01-BR",
    "/units/K19-TB6/severity", "/severity", "/units/K31-HA7/deferral", "/deferrals", "/recalls",
    "/what-if?unit_model=TB6&interval_km=50000", "/what-if?interval_km=-1", "/catch-up", "/catch-up?capacity=18",
    "/order-plan", "/order-plan?weeks=99",
    "/fluids/fewest", "/fluids/fewest?never=F01+XX", "/fluids/F01/packs",
    "/fluids/F10/packs?tank_l=1500&tank_price_per_l=3.2",
    "/fluids/F04/replace?by=F18", "/fluids/F01/replace?by=F02&hoses_l=1",
    "/shelf-levels", "/shelf-levels?look=weekly", "/labels/F09?look=weekly",
    "/wastes", "/wastes/1", "/wastes/add", "/wastes/1/change", "/wastes/balance", "/wastes/call",
    "/tanks", "/tanks/T1", "/stock/14/tank",
]  # fmt: skip
OPEN_ALL = "document.querySelectorAll('details').forEach(one => { one.open = true })"
LEAST_TARGET_PX = 44
NARROW_TARGETS = """least => [...document.querySelectorAll('button, input, select, summary, .main-nav a, .main-button')]
  .filter(one => one.type !== 'hidden' && one.checkVisibility())
  .map(one => one.type === 'checkbox' ? one.closest('.field') : one)
  .filter(one => one.getBoundingClientRect().height < least - 0.5).map(one => one.outerHTML.slice(0, 120))"""


def violations(page: Page) -> list[str]:
    return [
        f"{found['id']}: {[node['target'] for node in found['nodes']]}"
        for found in Axe().run(page).response["violations"]
    ]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_pages_are_accessible_fit_and_draw_no_complaint(
    browser: Browser, site: str, width: int, scheme: str
) -> None:
    page = open_page(browser, site, width=width, scheme=scheme)
    for address in PAGES:
        page.goto(site + address)
        page.evaluate(OPEN_ALL)
        assert violations(page) == [], address
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{address} runs over the edge"
        assert page.evaluate(NARROW_TARGETS, LEAST_TARGET_PX) == [], address
    assert [told for told in page.complaints if "404" not in told] == []
    page.close()


def test_the_sign_in_page_is_accessible(browser: Browser, site: str) -> None:
    page = browser.new_page()
    page.goto(f"{site}/sign-in")
    assert violations(page) == []
    page.close()


def test_a_filter_changes_the_rows_and_the_address_without_loading_the_page(
    browser: Browser, site: str
) -> None:
    page = open_page(browser, site)
    page.goto(f"{site}/due")
    page.evaluate("window.stayed = true")
    page.get_by_role("radio", name="late", exact=True).check()
    expect(page).to_have_url(f"{site}/due?show=late")
    expect(page.locator(".due-table tbody tr")).to_have_count(2)
    page.get_by_label("Words").fill("K02")
    expect(page.locator(".due-table tbody tr")).to_have_count(1)
    assert page.evaluate("window.stayed")
    page.reload()
    expect(page.locator(".due-table tbody tr")).to_have_count(1)
    page.go_back()
    expect(page.locator(".due-table tbody tr")).to_have_count(2)
    assert page.complaints == []
    page.close()


def test_the_filters_work_without_script(browser: Browser, site: str) -> None:
    signed_in = open_page(browser, site)
    context = browser.new_context(java_script_enabled=False, storage_state=signed_in.context.storage_state())
    page = context.new_page()
    page.goto(f"{site}/due")
    page.get_by_label("Words").fill("K02-TB6")
    page.get_by_role("button", name="Filter").click()
    expect(page.locator(".due-table tbody tr")).to_have_count(1)
    context.close()
    signed_in.close()


def test_the_keyboard_reaches_the_content_first(browser: Browser, site: str) -> None:
    page = open_page(browser, site)
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.close()


def test_a_job_is_closed_on_a_phone(browser: Browser, site: str) -> None:
    page = open_page(browser, site, width=390)
    page.goto(f"{site}/units/K01-TB6")
    page.get_by_role("link", name="Record a finished job").click()
    page.get_by_role("button", name="Close the job").click()
    expect(page.get_by_role("alert")).to_contain_text("Not closed.")
    assert violations(page) == []
    for label, value in (
        ("Odometer, as the meter shows", "131550"), ("Came out, L", "10.1"), ("Went in, L", "10.1"),
        ("Fluid temperature at the level check, °C", "80"), ("Level against the mark, mm", "0"),
    ):  # fmt: skip
        page.get_by_label(label).fill(value)
    for group in ("Came out", "Went in"):
        page.get_by_role("group", name=group).get_by_label("Its temperature, °C").fill("20")
    page.get_by_label("How", exact=True).select_option("overnight drain + cooler-line exchange")
    page.get_by_label("Looked for leaks, hot").check()
    page.get_by_label("Road test done").check()
    page.get_by_role("button", name="Close the job").click()
    expect(page.get_by_role("status").first).to_contain_text("is closed")
    expect(page.locator(".due-panel .state")).to_contain_text("not yet")
    page.close()


def test_an_odd_reading_is_answered_with_one_tap(browser: Browser, site: str) -> None:
    page = open_page(browser, site, width=390)
    page.goto(f"{site}/readings")
    page.get_by_role("button", name="It is 5\u202f180.7").click()
    expect(page.get_by_role("status").first).to_contain_text("K25: the reading 51807 is answered.")
    page.close()


def test_a_printed_page_has_no_frame_and_opens_its_sums(browser: Browser, site: str) -> None:
    page = open_page(browser, site)
    page.goto(f"{site}/orders")
    page.emulate_media(media="print")
    expect(page.locator(".main-nav")).to_be_hidden()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    expect(page.get_by_text("Jobs behind it").first).to_be_visible()
    page.close()


@pytest.mark.parametrize("address", ["/orders", "/stock", "/order-plan", "/wastes", "/fluids/F01/packs"])
def test_a_sheet_begins_with_its_title_and_what_it_is_about(
    browser: Browser, site: str, address: str
) -> None:
    page = open_page(browser, site)
    page.goto(site + address)
    page.emulate_media(media="print")
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    for links in (".trail", ".page-head .page-do"):
        for one in page.locator(links).all():
            expect(one).to_be_hidden()
    # A panel longer than a sheet must not be pushed whole to the next one, which would leave the first one empty.
    assert page.evaluate("[...document.querySelectorAll('.panel')].map(e => getComputedStyle(e).breakInside)").count(
        "avoid"
    ) == 0  # fmt: skip
    page.close()


def test_stock_and_pick_list_show_all_of_a_row_on_a_phone(browser: Browser, site: str) -> None:
    page = open_page(browser, site, width=390)
    for address, words in (("/stock", "23\u00a0L"), ("/pick-list?day=2026-03-02", "12 × wipes")):
        page.goto(site + address)
        box = page.get_by_text(words).first.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
        assert page.evaluate(
            "[...document.querySelectorAll('.wide')].every(e => e.scrollWidth <= e.clientWidth)"
        ), address
    page.close()


def test_a_collection_from_call_to_paper_is_accessible_and_prints(browser: Browser, site: str) -> None:
    page = open_page(browser, site, width=390)
    page.goto(f"{site}/wastes/call")
    page.get_by_label("Collector", exact=True).select_option(label="Sumpholme Collections, from 400 L on")
    page.get_by_label("used oil").fill("")
    page.get_by_label("brake fluid").fill("6")
    page.get_by_role("button", name="Note the call").click()
    expect(page.get_by_text("below the 400 L").first).to_be_visible()
    page.get_by_label("Agreed, if below his minimum").fill("comes past anyway")
    page.get_by_role("button", name="Note the call").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Collection at Upper Yard")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Book the collection")).to_be_hidden()
    expect(page.get_by_role("table", name="What is handed over")).to_be_visible()
    page.emulate_media(media="screen")
    page.get_by_label("Why it is not made").fill("only tried")
    page.get_by_role("button", name="Cancel the visit").click()
    expect(page.get_by_text("only tried")).to_be_visible()
    assert [told for told in page.complaints if "422" not in told] == []
    page.close()
