"""A specification as JSON, its JSON Schema, and back again.

docs/reference/specification.schema.json is the schema, which a test compares; write it anew with
``python -c "import json; from bridge.specification.json import schema; print(json.dumps(schema(), indent=2))"``.
"""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from bridge.specification.types import Specification

_ADAPTER = TypeAdapter(Specification)


def as_json(specification: Specification) -> str:
    """Give the document as indented JSON with a line end."""
    return _ADAPTER.dump_json(specification, indent=2).decode() + "\n"


def from_json(text: str) -> Specification:
    """Give the document that ``as_json`` wrote. Raises pydantic.ValidationError for any other text."""
    return _ADAPTER.validate_json(text)


def schema() -> dict[str, Any]:
    """Give the JSON Schema of what ``as_json`` writes."""
    return _ADAPTER.json_schema(mode="serialization")
