"""The description of the interface for programs, made from the table of its endpoints.

Source: OpenAPI Specification 3.1.0 (2021); RFC 9457 (2023).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from daemon import __version__
from daemon.entries import JSON
from daemon.page.api.endpoint import Endpoint, Parameter, Schema

PROBLEM_SCHEMA: Schema = {
    "type": "object",
    "title": "What is wrong, as RFC 9457 has it.",
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
    },
    "required": ["type", "title", "status", "detail"],
    "additionalProperties": False,
}
WRONG = {
    "400": "A parameter cannot be taken.",
    "404": "It is not there.",
    "503": "The journal cannot be read.",
}


def description(endpoints: Iterable[Endpoint], streams: Mapping[str, JSON]) -> Schema:
    """Return the OpenAPI document of some endpoints.

    Args:
        endpoints: The table.
        streams: Paths of what is streamed, as OpenAPI has them.
    """
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "brinewright",
            "version": __version__,
            "description": "What a mixing station knows; nothing can be changed here.",
        },
        "paths": {**{each.path: {"get": _operation(each)} for each in endpoints}, **streams},
        "components": {"schemas": {"problem": PROBLEM_SCHEMA}},
    }


def _operation(endpoint: Endpoint) -> Schema:
    problem: Schema = {
        "application/problem+json": {"schema": {"$ref": "#/components/schemas/problem"}}
    }
    responses: Schema = {
        "200": {
            "description": endpoint.summary,
            "content": {"application/json": {"schema": endpoint.returns}},
        },
        **{code: {"description": why, "content": problem} for code, why in WRONG.items()},
    }
    parameters: list[JSON] = [_parameter(each) for each in endpoint.parameters]
    return {
        "summary": endpoint.summary,
        "operationId": "-".join(part.strip("{}") for part in endpoint.path.split("/")[2:]),
        "parameters": parameters,
        "responses": responses,
    }


def _parameter(parameter: Parameter) -> Schema:
    schema = parameter.kind.schema()
    if parameter.default is not None:
        schema["default"] = parameter.default
    return {
        "name": parameter.name,
        "in": parameter.place,
        "description": parameter.description,
        "required": parameter.required or parameter.place == "path",
        "schema": schema,
    }
