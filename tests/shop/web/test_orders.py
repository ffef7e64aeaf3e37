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


def test_every_figure_of_a_line_tells_its_sum(foreman, yard):
    jobs = [
        {"unit": "K09-TB6", "label": "K09 gearbox", "litres": 10.6, "chance": 0.7, "chance_due": 1.0,
         "turns_up": 0.7, "passes_gate": 1.0, "needed_on": "2026-03-09"},
    ]  # fmt: skip
    facts = {
        "mean_l": 61.81553, "sd_l": 10.86154, "baseline_l": 1.002382, "most_l": 98.2, "service_level": 0.95,
        "order_up_to_l": 79.681174, "net_price": "406.46", "jobs": jobs,
    }  # fmt: skip
    line = propose()
    ProposedLine.objects.update(facts=line.facts | facts)
    page = text_of(foreman.get("/orders"))
    # 61.81553 - 1.002382 = 60.81; 61.82 + 1.645 x 10.86 = 79.68; 429 - 0.95 x 3.32 L x 7.15 = 406.45.
    assert "<dt>Jobs, litres × chance</dt><dd>60.8 L</dd>" in page
    assert "61.82 + 1.645 × 10.86 L" in page
    assert "429.00 − 95 % of 3.32 L at 7.15" in page
    assert "turns up 70 %" in page
    ProposedLine.objects.update(facts=line.facts | facts | {"most_l": 79.6, "net_price": "429.00"})
    page = text_of(foreman.get("/orders"))
    assert "every job and top-up together" in page
    assert "none of what is left over would be used in time" in page


def test_empty_groups_take_no_room_but_today_s_is_always_told(foreman, yard):
    propose(when="can wait")
    page = text_of(foreman.get("/orders"))
    assert "No order has to go out today." in page
    assert "This week" not in page
    ProposedLine.objects.all().delete()
    assert "The list was not worked out yet" in text_of(foreman.get("/orders"))


def text_of(answer):
    return (
        answer.content.decode().replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")
    )
