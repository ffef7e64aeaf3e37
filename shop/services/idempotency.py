"""Do a request once, however often it is sent with the same key."""

import datetime
from collections.abc import Callable
from typing import Any

from django.db import transaction

from shop import clock
from shop.errors import InputError
from shop.models import IdempotentAnswer, Person

KEPT_DAYS = 7
"""Days an answer is kept; after that the key counts as new."""

Answer = tuple[int, Any]


def answer_once(person: Person, key: str, fingerprint: str, work: Callable[[], Answer]) -> Answer:
    """Return the kept answer to the key, or do the work and keep its answer.

    Work and answer are committed together, so a request cut short leaves neither; a second one that arrives
    meanwhile waits for the first. Work that raises writes nothing and keeps nothing: it may be tried again.

    Args:
        person: who asks; keys of other people never meet.
        key: the caller's key.
        fingerprint: digest of what was asked.
        work: does it and returns status and JSON body.

    Returns:
        Status and JSON body.

    Raises:
        InputError: the key was used before for something else.
    """
    with transaction.atomic():
        oldest = clock.now() - datetime.timedelta(days=KEPT_DAYS)
        IdempotentAnswer.objects.filter(at__lte=oldest).delete()
        kept, is_new = IdempotentAnswer.objects.get_or_create(
            person=person,
            key=key,
            defaults={"fingerprint": fingerprint, "status": 0, "body": {}, "at": clock.now()},
        )
        if kept.fingerprint != fingerprint:
            raise InputError(
                f"The Idempotency-Key “{key}” was used before with another request; "
                "send this one with a new key, or the earlier one unchanged.",
                code="idempotency-key-reused",
            )
        if is_new:
            kept.status, kept.body = work()
            kept.save(update_fields=["status", "body"])
    return kept.status, kept.body
