"""The bench in Chromium: accessible in every state, answers without loading the page, works without script."""

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import open_page
from tests.browser.test_pages import LEAST_TARGET_PX, NARROW_TARGETS, violations

FULL = "/bench?unit=K01-TB6&arrival_mm=-4&jug_l=4&reading_mm=4&reading_c=66"
STATES = [
    "/bench",
    FULL,
    "/bench?total_fill_l=8&quick_drain_l=3",
    "/bench?total_fill_l=8&sump_l=-1&shed_c=mild",
    "/bench?total_fill_l=26&quick_drain_l=17&unit_kind=cooling+system%2C+radiator+only&strength_found_pct=32"
    "&strength_wanted_pct=50",
    "/bench?total_fill_l=1.2&bleed_l=3&unit_kind=brakes",
    "/bench?unit=K14-VB2&reading_c=55&step_1_kind=quick+drain",
    FULL + "&step_1_kind=overnight+drain&step_2_kind=pour&step_3_kind=cooler-line+exchange&step_3_litres=4",
]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_the_bench_is_accessible_and_fits(browser: Browser, site: str, width: int, scheme: str) -> None:
    page = open_page(browser, site, width=width, scheme=scheme)
    for address in STATES:
        page.goto(site + address)
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        assert violations(page) == [], address
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{address} runs over the edge"
        assert page.evaluate(NARROW_TARGETS, LEAST_TARGET_PX) == [], address
    assert [told for told in page.complaints if "422" not in told] == []
    page.close()


def test_a_change_brings_the_answer_and_the_address_without_loading_the_page(
    browser: Browser, site: str
) -> None:
    page = open_page(browser, site)
    page.goto(site + "/bench?unit=K01-TB6")
    page.evaluate("window.stayed = true")
    page.get_by_label("Target share").fill("0.85")
    page.get_by_label("Target share").press("Tab")
    expect(page.locator(".bench-verdict")).to_contain_text("14.1")
    expect(page).to_have_url(site + "/bench?unit=K01-TB6&target_share=0.85")
    page.get_by_label("Target share").fill("85")
    page.get_by_label("Target share").press("Tab")
    expect(page.get_by_role("alert")).to_contain_text("Target share: 85 is outside 0.01 to 0.99")
    assert page.evaluate("window.stayed")
    assert [told for told in page.complaints if "422" not in told] == []
    page.close()


def test_another_unit_brings_its_own_card(browser: Browser, site: str) -> None:
    page = open_page(browser, site)
    page.goto(site + "/bench")
    page.get_by_label("Unit", exact=True).fill("K01-TB6")
    page.get_by_label("Unit", exact=True).press("Tab")
    expect(page).to_have_url(site + "/bench?unit=K01-TB6")
    page.get_by_text("Unit card", exact=True).click()
    expect(page.get_by_label("Sump, L", exact=True)).to_have_attribute("placeholder", "4 on the card")
    page.close()


def test_the_bench_works_without_script(browser: Browser, site: str) -> None:
    signed_in = open_page(browser, site)
    context = browser.new_context(java_script_enabled=False, storage_state=signed_in.context.storage_state())
    page = context.new_page()
    page.goto(site + "/bench")
    page.get_by_label("Total fill, L").fill("8")
    page.get_by_label("Quick drain, L").fill("3")
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator(".bench-verdict")).to_contain_text("Card typed here")
    context.close()
    signed_in.close()


def test_typing_answers_by_itself_and_keeps_the_focus(browser: Browser, site: str) -> None:
    page = open_page(browser, site)
    page.goto(site + "/bench?unit=K01-TB6")
    share = page.get_by_label("Target share")
    share.press_sequentially("0.85", delay=30)
    expect(page.locator(".bench-verdict")).to_contain_text("14.1")
    expect(share).to_be_focused()
    expect(share).to_have_value("0.85")
    page.close()


def test_a_refusal_stands_beside_its_figure_and_goes_with_it(browser: Browser, site: str) -> None:
    page = open_page(browser, site)
    page.goto(site + "/bench?unit=K01-TB6")
    share = page.get_by_label("Target share")
    share.fill("85")
    expect(page.locator("#wrong_target_share")).to_contain_text("85 is outside 0.01 to 0.99")
    expect(share).to_have_attribute("aria-invalid", "true")
    expect(share).to_have_attribute("aria-describedby", "wrong_target_share")
    share.fill("0.8")
    expect(page.locator("#wrong_target_share")).to_have_count(0)
    expect(page.locator(".bench-verdict")).to_be_visible()
    assert share.get_attribute("aria-invalid") is None
    page.close()


@pytest.mark.parametrize("address", [FULL, "/bench?unit=K14-VB2&reading_c=55"])
def test_the_bench_prints_on_two_sheets(browser: Browser, site: str, address: str) -> None:
    page = open_page(browser, site)
    page.goto(site + address)
    page.emulate_media(media="print")
    expect(page.locator(".bench-form")).to_be_hidden()
    expect(page.get_by_role("table", name="Methods, the cheapest")).to_be_visible()
    margin = dict.fromkeys(("top", "right", "bottom", "left"), "12mm")
    sheets = page.pdf(format="A4", margin=margin).count(b"/Type /Page\n")
    assert 1 <= sheets <= 2
    page.close()
