"""Is it alive, and do database and queue answer?"""

import logging
from typing import Any

from celery import current_app
from django.conf import settings
from django.db import DatabaseError, connection
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

OK, FAILS, NONE_NEEDED = "ok", "fails", "none needed"
_WAIT_S = 2.0

log = logging.getLogger(__name__)


class HealthShown(serializers.Serializer[Any]):
    """How the parts are; `status` is “ok” only when all are."""

    status = serializers.ChoiceField(choices=[OK, FAILS])
    database = serializers.ChoiceField(choices=[OK, FAILS])
    broker = serializers.ChoiceField(
        choices=[OK, FAILS, NONE_NEEDED], help_text="“none needed”: tasks run at once, without a queue."
    )


class Health(APIView):
    """The only address, with the token's, that is open to all."""

    authentication_classes = ()
    permission_classes = (AllowAny,)

    @extend_schema(summary="Health", tags=["health"], responses={200: HealthShown, 503: HealthShown}, auth=[])
    def get(self, request: Request) -> Response:
        """Say whether database and queue answer; 503 when one does not."""
        parts = {"database": _database(), "broker": _broker()}
        status = FAILS if FAILS in parts.values() else OK
        return Response({"status": status, **parts}, status=200 if status == OK else 503)


def _database() -> str:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        log.exception("the database does not answer")
        return FAILS
    return OK


def _broker() -> str:
    if settings.CELERY_TASK_ALWAYS_EAGER:
        return NONE_NEEDED
    try:
        with current_app.connection_for_read() as queue:
            queue.ensure_connection(max_retries=1, interval_start=0.1, timeout=_WAIT_S)
    except Exception:
        # Each transport has its own errors; to the caller they all mean that the queue is away.
        log.exception("the queue does not answer")
        return FAILS
    return OK
