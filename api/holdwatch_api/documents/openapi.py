"""The OpenAPI document, with the errors as they are really sent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from fastapi.openapi.utils import get_openapi

from holdwatch_api.shapes import Problem

if TYPE_CHECKING:
    from fastapi import FastAPI

_PROBLEM: Final = "application/problem+json"
_SCHEMA: Final = {"$ref": "#/components/schemas/Problem"}
_OF_ALL: Final = {
    "401": "A token is needed",
    "403": "The token, or the page that asks, may not do this",
    "421": "The service is not called this",
    "429": "Too often; `Retry-After` says when again",
}
_OF_BODIES: Final = {
    "408": "The body did not arrive in time",
    "413": "The body is too large",
    "415": "The body is of another kind",
}


def openapi_document(app: FastAPI) -> dict[str, Any]:
    """Return the document of an application.

    FastAPI writes errors down as plain JSON and with a shape of its own; here each is a problem
    in the form of RFC 9457, and what the guard refuses stands beside what the routes refuse.
    """
    document = get_openapi(
        title=app.title, version=app.version, summary=app.summary, routes=app.routes
    )
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            _mend(
                operation["responses"],
                told=path.startswith("/api/v1/"),
                body=method not in {"get", "head"},
            )
    schemas = document["components"]["schemas"]
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    schemas["Problem"] = Problem.model_json_schema()
    return document


def _mend(responses: dict[str, Any], *, told: bool, body: bool) -> None:
    for status, response in responses.items():
        if status == "422":
            response["description"] = "Not understood"
        if status == "422" or _is_problem(response):
            response["content"] = {_PROBLEM: {"schema": _SCHEMA}}
    refused = {"421": _OF_ALL["421"]} | (_OF_ALL if told else {}) | (_OF_BODIES if body else {})
    for status, description in refused.items():
        known = {"description": description, "content": {_PROBLEM: {"schema": _SCHEMA}}}
        responses.setdefault(status, known)


def _is_problem(response: dict[str, Any]) -> bool:
    content = response.get("content", {}).get("application/json", {})
    return bool(content.get("schema") == _SCHEMA)
