"""The ordering list: urgency first, every sum open to be checked."""

import csv
import io

import pytest

from shop.models import ProposedLine
from tests.shop.web.conftest import TODAY


def propose(**changed) -> ProposedLine:
    line = ProposedLine.objects.get()
    values = {
        "when": "order today", "need_l": 79.7, "free_l": 23.0, "net_l": 56.7, "order_l": 60.0, "cost": "429.00",
        "left_over_l": 3.3, "latest_order_day": TODAY, "sentence": "One pack of 60 L.",
        "facts": line.facts | {
            "packs": [{"count": 1, "printed": "60 L", "size_l": 60.0, "price": "429.00"}], "cut_off": "14:00",
            "falls": ["K19 gearbox"], "blocked": [{"unit": "K14-VB2", "litres": 3.9, "reason": "Variator fluid only."}],
        },
    }  # fmt: skip
    ProposedLine.objects.update(**values | changed)
    return line


def test_a_line_shows_the_sum_the_pack_and_the_hour(foreman, yard):
    propose()
    page = foreman.get("/orders").content.decode()
    for words in ("79.7\u00a0L", "23\u00a0L", "56.7\u00a0L", "60\u00a0L", "1 × 60 L", "429.00\u00a0EUR"):
        assert words in page
    assert "<strong>today</strong> before 14:00" in page
    assert "K19 gearbox" in page
    assert "Variator fluid only." in page


def test_a_latest_day_that_has_passed_is_said(foreman, yard):
    propose(latest_order_day="2026-02-23")
    assert "latest day was Mon 23\u00a0Feb" in foreman.get("/orders").content.decode()


def test_the_board_names_the_order_of_today(foreman, yard):
    propose()
    page = foreman.get("/").content.decode()
    assert "order today before 14:00" in page
    assert "Brinnock Oils" in page


def test_the_csv_file_has_one_row_per_line(foreman, yard):
    propose(sentence="+cmd")
    rows = list(csv.DictReader(io.StringIO(foreman.get("/orders.csv").getvalue().decode())))
    assert [(row["product"], row["packs"], row["net_l"], row["why"]) for row in rows] == [
        ("F01", "1 × 60 L", "56.7", "'+cmd")
    ]


@pytest.mark.parametrize("when", ["order today", "nothing to order"])
def test_an_overdue_delivery_and_the_notes_are_shown(foreman, yard, when):
    late = (
        "20 L ordered from Brinnock Oils were expected on 2026-02-27; ask the supplier before ordering again."
    )
    reasons = [{"code": "late_delivery", "text": late}, {"code": "too_late", "text": "Too late for K19."}]
    propose(when=when, facts=ProposedLine.objects.get().facts | {"reasons": reasons})
    page = foreman.get("/orders").content.decode()
    assert page.count(late) == 1
    assert page.count("Too late for K19.") == (when == "order today")
