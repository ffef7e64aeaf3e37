"""The OpenAPI document: every operation names the refusals it can give, all of one shape."""

from typing import Any

from shop.api.errors import PROBLEM_JSON

PROBLEM = {
    "type": "object",
    "description": "Problem details for HTTP APIs (RFC 9457).",
    "required": ["type", "title", "status", "detail", "code"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 100, "maximum": 599},
        "detail": {"type": "string", "description": "What was wrong, what is allowed, what to do next."},
        "code": {"type": "string", "description": "The kind of problem in a word, for programs."},
        "errors": {
            "type": "array",
            "description": "One entry for each wrong member of the body or query parameter.",
            "items": {
                "type": "object",
                "required": ["detail"],
                "properties": {
                    "detail": {"type": "string"},
                    "pointer": {
                        "type": "string",
                        "description": "JSON pointer as URI fragment, e.g. #/3/vehicle.",
                    },
                    "parameter": {"type": "string", "description": "Name of the query parameter."},
                },
            },
        },
    },
}
EVERYWHERE = {
    "400": "Not well written: JSON, member, query parameter or cursor.",
    "405": "This address does not take that method.",
    "406": "No such media type here.",
    "500": "Something went wrong here.",
}
SIGNED_IN = {"401": "Not signed in.", "403": "Your role does not allow it."}
WRITING = {
    "409": "It clashes with what is there.",
    "413": "Too large.",
    "415": "Send application/json.",
    "422": "Well written, but it cannot be used; nothing was written.",
    "503": "The queue does not answer.",
}
NAMED = {"404": "Not there, or not in your depots."}
OPEN_WRITING = {"429": "Too many tries; wait."}


def add_problem_responses(result: dict[str, Any], **_context: Any) -> dict[str, Any]:
    """Add the problem answers to every operation of the generated document.

    Args:
        result: the document as generated; changed in place.
        _context: generator, request and whether the document is public; not needed.

    Returns:
        The document.
    """
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM
    body = {PROBLEM_JSON: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for address, path in result["paths"].items():
        for method, operation in path.items():
            answers = EVERYWHERE | (NAMED if "{" in address else {}) | (WRITING if method == "post" else {})
            if operation.get("security"):
                answers |= SIGNED_IN
            elif method == "post":
                answers |= SIGNED_IN | OPEN_WRITING
            for status, sentence in answers.items():
                operation["responses"].setdefault(status, {"description": sentence, "content": body})
    return result
