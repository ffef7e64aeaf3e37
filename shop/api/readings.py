"""Meter readings: listing, taking in one or many, answering a question."""

from collections import Counter
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ParseError, ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from shop.api.base import Scoped
from shop.api.errors import Unprocessable, located, pointer
from shop.api.filters import ReadingFilters
from shop.api.keyed import PARAMETER, answered_once, body_as, sent
from shop.api.serializers import readings as shapes
from shop.selectors.access import readings_of
from shop.selectors.meters import meters_by_name
from shop.services.reading_columns import ReadingRow, text_of
from shop.services.readings import ReadingsReport, reading_answer, readings_record

MOST_AT_ONCE = 5_000


@extend_schema(tags=["readings"])
class ReadingList(Scoped, ListAPIView):
    """Meter readings of vehicles of your depots."""

    rows = readings_of
    order = ("-read_at", "-pk")
    needs = ("do", "plan")
    serializer_class = shapes.ReadingRow
    filterset_class = ReadingFilters

    @extend_schema(summary="Readings")
    def get(self, request: Request) -> Response:
        """List readings, the latest first."""
        return self.list(request)

    @extend_schema(
        summary="Take readings in",
        parameters=[PARAMETER],
        request=shapes.ReadingGiven(many=True),
        responses=shapes.ReadingsOutcome,
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Take in one reading or a list of up to 5 000, and say of each what became of it.

        Good readings go in, odd ones are set aside with a question, the others are refused one by one; when every
        one is refused the answer is 422. The same reading sent again changes nothing.
        """
        body = sent(request)
        items = body if isinstance(body, list) else [body]
        if not 1 <= len(items) <= MOST_AT_ONCE:
            raise ParseError(f"Send 1 to {MOST_AT_ONCE} readings at a time; this request holds {len(items)}.")
        return answered_once(request, lambda: _take_in(request, items, isinstance(body, list)))


@extend_schema(tags=["readings"])
class ReadingAnswered(Scoped, GenericAPIView):
    """The answer to a reading that was asked about."""

    rows = readings_of
    needs = ("do", "plan")
    serializer_class = shapes.ReadingRow
    what = "reading"

    @extend_schema(summary="Answer a question", request=shapes.ReadingAnswer, responses=shapes.ReadingRow)
    def post(self, request: Request, pk: int) -> Response:
        """Say what an odd reading really is; answered once, it stays answered."""
        reading = self.get_object()
        given = body_as(request, shapes.ReadingAnswer)
        settled = reading_answer(reading, given["answer"], request.user)
        return Response(shapes.ReadingRow(settled).data)


def _take_in(request: Request, items: list[Any], is_list: bool) -> tuple[int, Any]:
    """Take in what can be taken and return status and body."""
    rows, errors = _rows(request, items, is_list)
    report = readings_record(list(rows.values()), request.user)
    places = list(rows)
    for at, name, sentence in report.refused:
        errors[places[at]] = [_error(places[at], name, sentence, is_list)]
    listed = [error for place in sorted(errors) for error in errors[place]]
    if len(errors) == len(items):
        first = listed[0]["detail"]
        many = f"None of the {len(items)} readings can be used. The first: {first}"
        raise Unprocessable(many if is_list else first, listed)
    outcomes = {
        place: (shapes.REFUSED, " ".join(error["detail"] for error in found), None)
        for place, found in errors.items()
    } | {
        places[at]: (*_outcome(report, at, rows[places[at]]), key)
        for at, key in enumerate(report.ids)
        if key is not None
    }
    results = [
        {"index": place, "status": status, "sentence": sentence, "reading": reading}
        for place, (status, sentence, reading) in sorted(outcomes.items())
    ]
    counts = Counter(result["status"] for result in results)
    return 200, {
        "results": results,
        "counts": {status: counts[status] for status in shapes.OUTCOMES},
        "errors": listed,
    }


def _outcome(report: ReadingsReport, at: int, row: ReadingRow) -> tuple[str, str]:
    if at in report.unchanged:
        return shapes.UNCHANGED, "This reading was there already; nothing changed."
    if at in report.asked:
        return shapes.ASKED, report.asked[at]
    return shapes.ACCEPTED, f"{text_of(row)} was taken in."


def _rows(
    request: Request, items: list[Any], is_list: bool
) -> tuple[dict[int, ReadingRow], dict[int, list[dict[str, str]]]]:
    """Check the shape of each item and find its meter; return rows and errors by place."""
    shape = shapes.ReadingGiven()
    given: dict[int, dict[str, Any]] = {}
    errors: dict[int, list[dict[str, str]]] = {}
    for place, item in enumerate(items):
        try:
            given[place] = shape.run_validation(item)
        except ValidationError as error:
            errors[place] = list(located(error.detail, path=_path(place, is_list)))
    meters = meters_by_name(request.user, {one["vehicle"] for one in given.values()})
    numbers = {number for number, _ in meters}
    rows = {}
    for place, one in given.items():
        meter = meters.get((one["vehicle"], one["meter"]))
        if meter is not None:
            rows[place] = ReadingRow(meter.pk, one["read_at"], one["source"], one["value"], one["unit"])
        elif one["vehicle"] in numbers:
            sentence = f"{one['vehicle']} has no meter “{one['meter']}”; name one it has, or add the meter."
            errors[place] = [_error(place, "meter", sentence, is_list)]
        else:
            sentence = (
                f"There is no vehicle “{one['vehicle']}” with a meter in your depots; check the number."
            )
            errors[place] = [_error(place, "vehicle", sentence, is_list)]
    return rows, errors


def _path(place: int, is_list: bool) -> tuple[str, ...]:
    return (str(place),) if is_list else ()


def _error(place: int, name: str, sentence: str, is_list: bool) -> dict[str, str]:
    return {"detail": sentence, "pointer": pointer((*_path(place, is_list), name))}
