"""An order on a phone: placed from the list, looked at, chased; accessible at every step."""

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import open_page
from tests.browser.test_pages import LEAST_TARGET_PX, NARROW_TARGETS, violations


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "dark")])
def test_an_order_is_placed_and_followed(browser: Browser, site: str, width: int, scheme: str) -> None:
    page = open_page(browser, site, width=width, scheme=scheme)

    def is_fine() -> None:
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(NARROW_TARGETS, LEAST_TARGET_PX) == []

    page.goto(f"{site}/orders")
    page.get_by_role("link", name="Place an order with Brinnock Oils").click()
    page.get_by_label("F15 20 L, packs").fill("0")
    page.get_by_label("F01 60 L, packs").fill("0")
    page.get_by_role("button", name="Place the order").click()
    expect(page.get_by_role("alert")).to_contain_text("Not placed.")
    is_fine()
    page.get_by_label("F01 60 L, packs").fill("1")
    page.get_by_role("button", name="Add up again").click()
    expect(page.get_by_text("429.00").first).to_be_visible()
    page.get_by_role("button", name="Place the order").click()
    page.wait_for_url(f"{site}/orders/UY-2026-001")
    expect(page.get_by_role("status").first).to_contain_text("UY-2026-001 is placed.")
    expect(page.get_by_text("waiting for fluid, expected 6\N{NO-BREAK SPACE}Mar").first).to_be_visible()
    is_fine()
    page.get_by_label("Why it is cancelled").fill("ordered by mistake")
    page.get_by_role("button", name="Cancel the order").click()
    expect(page.get_by_role("status").first).to_contain_text("is cancelled")
    is_fine()
    assert [told for told in page.complaints if "422" not in told] == []
    page.close()
