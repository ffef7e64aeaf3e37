"""What can go wrong in the calculations.

::

    HatchmarkError
    ├── QuantityError   a number or unit as typed cannot be understood
    ├── CardError       a unit card contradicts itself
    ├── ReadingError    meter readings or meter changes contradict each other
    └── RuleError       an interval rule, a severity or a policy is not usable

A missing input is not an error: it travels as ``nan`` or ``None`` and comes out as "cannot say" with a
reason. Every message says what was wrong, what is allowed and what to do next.
"""


class HatchmarkError(Exception):
    """The root of every error this project raises on purpose."""


class QuantityError(HatchmarkError):
    """A number or unit as typed cannot be understood."""


class CardError(HatchmarkError):
    """A unit card contradicts itself."""


class ReadingError(HatchmarkError):
    """Meter readings or meter changes contradict each other."""


class RuleError(HatchmarkError):
    """An interval rule, a severity or a policy is not usable."""
