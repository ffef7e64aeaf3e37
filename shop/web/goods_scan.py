"""A scanned pack written into the rows of the goods-in form; nothing is booked by it."""

from collections.abc import Iterable
from datetime import date

from django.http import QueryDict

from shop.planning.pack_code import PackCode, read_pack_code
from shop.web.stock_forms import PACK_FIELDS

HEAD = ("order", "product", "shelf")


def scanned(posted: QueryDict, rows: int, today: date) -> tuple[dict[str, object], str]:
    """Return the form's values with the scanned pack in them, and a sentence that says where it went.

    The row of its batch counts one more; a new batch takes the first row without one. Packs without a batch are told
    apart by their use-by. Raises ValueError with a sentence when the code says neither or every row is taken.
    """
    said = read_pack_code(posted.get("code", ""), today)
    if not said.batch and said.use_by is None:
        raise ValueError("The code says neither batch nor use-by; type what the pack says.")
    values = typed(posted, rows)
    row = _row_of(said, values, rows)
    if row is None:
        free = (
            own for own in range(1, rows + 1) if not values[f"batch_{own}"] and not values[f"use_by_{own}"]
        )
        row = next(free, None)
        if row is None:
            raise ValueError("Every row holds another batch; book these in first.")
        _fill(values, row, {"batch": said.batch, "use_by": said.use_by, "pack_size_l": said.pack_size_l})
        values[f"count_{row}"] = "1"
    else:
        count = str(values[f"count_{row}"])
        values[f"count_{row}"] = str(int(count) + 1 if count.isdigit() else 1)
    return values, f"Packs {row}: {values[f'count_{row}']} of batch {said.batch or '(none in the code)'}."


def typed(posted: QueryDict, rows: int) -> dict[str, object]:
    """Return what stands in the form, as values it begins with."""
    names: Iterable[str] = (f"{name}_{row}" for row in range(1, rows + 1) for name in PACK_FIELDS)
    values: dict[str, object] = {name: posted.get(name, "") for name in (*HEAD, *names)}
    for row in range(1, rows + 1):
        values[f"is_seal_whole_{row}"] = f"is_seal_whole_{row}" in posted
    return values


def _row_of(said: PackCode, values: dict[str, object], rows: int) -> int | None:
    """Return the row of the same batch, use-by and size; what the code does not say is no difference."""
    told = {
        "batch": said.batch,
        "use_by": said.use_by.isoformat() if said.use_by else "",
        "pack_size_l": f"{said.pack_size_l:g}" if said.pack_size_l else "",
    }
    for row in range(1, rows + 1):
        is_same = all(values[f"{name}_{row}"] == own for name, own in told.items() if own)
        if is_same and values[f"batch_{row}"] == said.batch:
            return row
    return None


def _fill(values: dict[str, object], row: int, told: dict[str, object]) -> None:
    for name, own in told.items():
        if own:
            values[f"{name}_{row}"] = f"{own:g}" if isinstance(own, float) else str(own)
