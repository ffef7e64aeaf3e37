"""Steps of work that takes a while: told as it goes on, drained where nobody watches."""

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Step:
    """What is being worked out; the done-th of so many, both 0 where nothing is counted."""

    what: str
    done: int = 0
    of: int = 0


Steps = Generator[Step, None, Found]


def finished(steps: Steps[Found]) -> Found:
    """Do all the work and return what it found."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            found: Found = end.value
            return found
