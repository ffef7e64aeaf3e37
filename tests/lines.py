"""Due lines as a reader meets them."""

import datetime
from typing import Any

from shop.models import DueLine
from shop.selectors.due_today import explained


def told_line(as_of: datetime.date | None = None, **wanted: Any) -> DueLine:
    """Return the one stored line that is wanted, with its figures and its sentence."""
    (line,) = explained(DueLine.objects.select_related("vehicle__depot", "rule").filter(**wanted), as_of)
    return line
