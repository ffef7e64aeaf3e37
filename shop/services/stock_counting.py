"""A whole shelf counted at once: every difference is booked, or none of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import transaction

from shop.errors import InputError
from shop.models import Depot, Person, StockItem, StockMovement
from shop.planning.demand import DUST_L
from shop.services.order_state import shelf_hold
from shop.services.stock import stock_count


@dataclass(frozen=True, slots=True)
class Counted:
    """What was counted of one item. books_l: what the books said when the sheet was made."""

    item: StockItem
    litres: float
    books_l: float


def shelf_count(
    person: Person, shelf: Depot, counted: Sequence[Counted], note: str = ""
) -> list[StockMovement]:
    """Set items of a shelf to what was counted, all of them or none.

    An item whose books moved since the sheet was made is refused: the count does not say before or after.
    Returns the movements of those that differed. Raises NotAllowed; InputError with a sentence for each item, named
    litres_<its key>.
    """
    moved, wrong = [], {}
    with transaction.atomic():
        shelf_hold(shelf)
        for own in sorted(counted, key=lambda one: one.item.pk):
            held = StockItem.objects.select_for_update().get(pk=own.item.pk)
            if abs(held.on_shelf_l - own.books_l) > DUST_L:
                wrong[f"litres_{held.pk}"] = (
                    f"Its books moved from {own.books_l:g} to {held.on_shelf_l:g} L since; count it again."
                )
                continue
            try:
                movement = stock_count(person, held, own.litres, note)
            except InputError as error:
                wrong[f"litres_{held.pk}"] = error.sentence
                continue
            if movement is not None:
                moved.append(movement)
        if wrong:
            raise InputError("Nothing was booked; see the marked packs.", fields=wrong)
    return moved
