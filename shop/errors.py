"""Application errors: a code for programs, a sentence for people, the fields they are about.

ApplicationError
├── InputError     what was given cannot be used; nothing was written
├── NotAllowed     the person's role or depots do not reach so far
└── ConflictError  it clashes with what is already there
"""


class ApplicationError(Exception):
    """What was wrong, what is allowed and what to do next, in one sentence."""

    code = "error"

    def __init__(
        self, sentence: str, *, code: str | None = None, fields: dict[str, str] | None = None
    ) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.code = code or type(self).code
        self.fields = fields or {}


class InputError(ApplicationError):
    """What was given cannot be used."""

    code = "input"


class NotAllowed(ApplicationError):
    """The person may not do this."""

    code = "not-allowed"


class ConflictError(ApplicationError):
    """It clashes with the records."""

    code = "conflict"


NOT_PREPARED = (
    "The database cannot be used as it is ({error}); prepare it first with `manage.py migrate`, and look at "
    "DATABASE_URL if that does not help."
)
