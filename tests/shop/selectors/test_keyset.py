"""Pages by place against the whole list cut in pieces: no row lost, none twice, forth and back."""

import random

import pytest
from django.core import signing
from django.db.models import F

from shop.models import DueLine, Fitting, IntervalRule, Unit, UnitModel, Vehicle
from shop.selectors.due import SPLIT_ORDER, in_working_order
from shop.selectors.keyset import KeysetOrder, place_read, place_text
from tests.factories import DepotFactory

DAYS = [None, "2026-03-02", "2026-03-09", "2026-04-01"]


@pytest.fixture
def lines(db):
    """Sixty lines with many ties and empty values in every column that may have them."""
    shuffled = random.Random(4)
    depot, model = DepotFactory(), UnitModel.objects.create(code="TB6", name="TB6", kind="automatic gearbox")
    rules = [
        IntervalRule.objects.create(unit_model=model, subject=subject) for subject in ("fluid", "filter")
    ]
    for number in range(30):
        vehicle = Vehicle.objects.create(depot=depot, number=f"K{number * 7 % 30:02}", name="Bus", kind="bus")
        unit = Unit.objects.create(code=f"U{number:02}", unit_model=model)
        Fitting.objects.create(unit=unit, vehicle=vehicle, position="gearbox")
        for rule in rules:
            DueLine.objects.create(
                unit=unit, rule=rule, vehicle=vehicle, worked_out_for="2026-03-02",
                state=shuffled.choice(["late", "due", "window open", "not yet", "not yet", "cannot say"]),
                used_share=shuffled.choice([None, 1.0, 1.05, 1.2]),
                must_not_move=shuffled.random() < 0.1, book_by=shuffled.choice(DAYS),
            )  # fmt: skip
    return DueLine.objects.all()


ORDERS = {
    "working order": in_working_order,
    "empty first": lambda lines: lines.order_by(F("book_by").asc(nulls_first=True), "-pk"),
    "empty last, down": lambda lines: lines.order_by(F("book_by").desc(nulls_last=True), "pk"),
    "as the database has it": lambda lines: lines.order_by("book_by", "-used_share", "pk"),
    "by key": lambda lines: lines.order_by("pk"),
}


@pytest.mark.parametrize("split", [0, 1, SPLIT_ORDER])
@pytest.mark.parametrize("order", ORDERS)
def test_from_any_row_the_rows_after_and_before_are_those_of_the_whole_list(lines, order, split):
    ordered = ORDERS[order](lines)
    split = min(split, len(ordered.query.order_by) - 1)
    whole = list(ordered)
    for fields in ((), ("pk", "state")):
        keyset = KeysetOrder(ordered, split, fields)
        rows = keyset.after(None, 100)
        assert [row.pk for row in rows] == [line.pk for line in whole]
        for at, row in enumerate(rows):
            place = place_read(place_text(keyset.place_of(row), "list"), "list")
            assert [own.pk for own in keyset.after(place, 7)] == [line.pk for line in whole[at + 1 : at + 8]]
            before = [line.pk for line in whole[max(at - 7, 0) : at]]
            assert [own.pk for own in keyset.before(place, 7)] == before


def test_a_place_of_another_list_is_refused():
    text = place_text([1], "one list")
    assert place_read(text, "one list") == [1]
    with pytest.raises(signing.BadSignature):
        place_read(text, "another list")
