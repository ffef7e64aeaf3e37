"""Rows read as columns of numbers, without an object for any row: for work that goes over a whole fleet."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from django.db import connection
from django.db.backends.utils import CursorWrapper
from psycopg import Cursor
from psycopg.pq import Format

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Columns = dict[str, FloatArray]

FEW_KEYS = 100
"""Fewer keys than this are looked up one by one."""

MOST_SPANS = 32
"""Keys beside each other are named in at most so many spans."""

MOST_READ_PER_KEY = 8
"""Spans with more keys than this for each wanted one are not read through: looking a key up takes some ten times as
long as reading on to the next one, measured on PostgreSQL 15."""

NARROW_GAP = 300
"""Reading through so many keys takes about as long as beginning another span, measured."""

KEYS_AT_ONCE = 30_000
"""Work on a whole fleet takes so many of its units at a time: its memory stays bounded however large the fleet is."""

UNKNOWN = -1
"""What `place_of` answers for a key that is not there."""


def read_columns(
    expressions: Mapping[str, str], rest: str, params: Sequence[object] = ()
) -> dict[str, FloatArray]:
    """Return one array of numbers for each expression of a SELECT; nan where it is null.

    PostgreSQL packs the rows into one value on its side: reading them costs little more than its own COPY.

    expressions: name → SQL of a number. rest: the statement from FROM on. params: in the order they stand in all of it.
    """
    casts = [f"cast({sql} as double precision)" for sql in expressions.values()]
    if connection.vendor == "postgresql":
        with _bare_cursor() as cursor:
            cursor.execute(f"select string_agg({_packed(casts)}, ''::bytea) {rest}", params)
            rows = np.frombuffer(cursor.fetchone()[0] or b"", dtype=">f8").reshape(-1, len(casts))
    else:
        with connection.cursor() as cursor:
            cursor.execute(f"select {', '.join(casts)} {rest}", params)
            rows = np.array(cursor.fetchall(), dtype=np.float64).reshape(-1, len(casts))
    return dict(zip(expressions, np.ascontiguousarray(rows.T, dtype=np.float64), strict=True))


def _packed(numbers: Sequence[str]) -> str:
    """Return the SQL of numbers as bytes beside each other, nan where one is null.

    Four are packed by one call as the ends of a line, in some seven tenths of the time that one by one takes.
    """
    known = [f"coalesce({number}, 'NaN')" for number in numbers]
    fours = len(known) - len(known) % 4
    lines = [
        "lseg_send(lseg(point({}, {}), point({}, {})))".format(*known[at : at + 4])
        for at in range(0, fours, 4)
    ]
    return " || ".join([*lines, *(f"float8send({number})" for number in known[fours:])])


def _bare_cursor() -> CursorWrapper:
    """Return a cursor of PostgreSQL that fetches bytes as they are; Django's own gets them spelled out, two for one."""
    connection.ensure_connection()
    cursor = Cursor(connection.connection)
    cursor.format = Format.BINARY
    found: CursorWrapper = connection._prepare_cursor(cursor)
    return found


def one_of(column: str, keys: FloatArray) -> str:
    """Return the SQL that keeps rows whose column is one of some keys, however many there are; it needs no parameters.

    PostgreSQL reads on in an index far faster than it looks keys up one by one, but does not see by itself that they
    lie beside each other: where they do, it is told the spans they lie in.
    """
    wanted = np.sort(np.asarray(keys, dtype=np.int64))
    if connection.vendor != "postgresql":
        return f"{column} in (select value from json_each('[{_listed(wanted)}]'))"
    firsts, lasts, count = _spans(wanted)
    read = int((lasts - firsts + 1).sum())
    if count < FEW_KEYS or read > MOST_READ_PER_KEY * count:
        # A list of constants would be read the whole table for; a set is looked up, key by key.
        return f"{column} in (select unnest('{{{_listed(wanted)}}}'::bigint[]))"
    pairs = zip(firsts.tolist(), lasts.tolist(), strict=True)
    spans = " or ".join(f"{column} between {first} and {last}" for first, last in pairs)
    # A sum is not looked up in an index, so the spans are.
    among = "" if read == count else f" and {column} + 0 = any('{{{_listed(wanted)}}}'::bigint[])"
    return f"(({spans}){among})"


def _listed(keys: IntArray) -> str:
    return ",".join(map(str, keys.tolist()))


def _spans(keys: IntArray) -> tuple[IntArray, IntArray, int]:
    """Return first and last key of each of a few spans that hold all of some ascending keys, and how many differ.

    Where there are too many gaps, the widest are left out and the narrow ones read through.
    """
    steps = np.diff(keys)
    ends = np.flatnonzero(steps > 1)
    if len(ends) >= MOST_SPANS:
        wide = ends[steps[ends] > NARROW_GAP]
        ends = np.sort(wide[np.argsort(steps[wide])[::-1][: MOST_SPANS - 1]])
    return (
        np.concatenate([keys[:1], keys[ends + 1]]),
        np.concatenate([keys[ends], keys[-1:]]),
        int(np.count_nonzero(steps)) + min(len(keys), 1),
    )


def keys_of(pks: Iterable[int]) -> FloatArray:
    """Return keys as an array of numbers, the way columns hold them."""
    return np.fromiter(pks, dtype=np.float64)


def in_parts(keys: FloatArray) -> Iterator[FloatArray]:
    """Yield keys in parts that memory has room for."""
    for at in range(0, len(keys), KEYS_AT_ONCE):
        yield keys[at : at + KEYS_AT_ONCE]


def day_number(column: str) -> str:
    """Return the SQL of a date as Python's ordinal of it."""
    if connection.vendor == "postgresql":
        return f"({column} - date '0001-01-01' + 1)"
    return f"(julianday({column}) - 1721424.5)"


def seconds(column: str) -> str:
    """Return the SQL of an instant as seconds since 1970."""
    if connection.vendor == "postgresql":
        return f"extract(epoch from {column})"
    return f"((julianday({column}) - 2440587.5) * 86400.0)"


def microseconds(column: str) -> str:
    """Return the SQL of an instant as whole microseconds since 1970, exact for any a meter can be read at."""
    if connection.vendor == "postgresql":
        return f"extract(epoch from {column}) * 1000000"
    # A day number is good for whole seconds; the fraction, if any, stands from the twentieth character on.
    whole = f"round((julianday(substr({column}, 1, 19)) - 2440587.5) * 86400.0)"
    return f"({whole} * 1000000 + round(cast(substr({column}, 20) as real) * 1000000))"


def flag(condition: str) -> str:
    """Return the SQL of 1 where a condition holds and 0 elsewhere."""
    return f"case when {condition} then 1 else 0 end"


def rank_in(column: str, values: Sequence[str]) -> tuple[str, list[str]]:
    """Return the SQL of a text's place in a list, null where it is not in it, and its parameters."""
    if not values:
        return "null", []
    cases = " ".join(f"when %s then {place}" for place, _ in enumerate(values))
    return f"case {column} {cases} end", list(values)


def chosen(columns: Columns, which: npt.NDArray[np.bool_] | IntArray) -> Columns:
    """Return some rows of columns."""
    return {name: column[which] for name, column in columns.items()}


def joined(parts: Sequence[Columns]) -> Columns:
    """Return the rows of several parts as one; they have the same columns."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def place_of(wanted: FloatArray, held: FloatArray) -> npt.NDArray[np.int64]:
    """Return where each wanted key stands in the held ones, which are all different; UNKNOWN where it does not."""
    if not len(held):
        return np.full(len(wanted), UNKNOWN)
    order = np.argsort(held)
    at = np.minimum(np.searchsorted(held, wanted, sorter=order), len(held) - 1)
    return np.where(held[order[at]] == wanted, order[at], UNKNOWN)


def taken(column: FloatArray, places: npt.NDArray[np.int64]) -> FloatArray:
    """Return the column's figures at some places; nan where the place is unknown."""
    if not len(column):
        return np.full(len(places), np.nan)
    return np.where(places == UNKNOWN, np.nan, column[places])
