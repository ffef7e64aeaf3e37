"""Counts the objects of the database that some work makes."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db.models.signals import post_init


@contextmanager
def objects_made() -> Iterator[list[object]]:
    """Collect the model of each row that becomes an object inside."""
    made: list[object] = []

    def note(**signal: object) -> None:
        made.append(signal["sender"])

    post_init.connect(note)
    try:
        yield made
    finally:
        post_init.disconnect(note)
