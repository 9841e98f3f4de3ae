"""JSON of a FHIR resource: written with what FHIR does not carry refused, and read leaf by leaf."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import orjson

from bridge.errors import RejectError

# R4 datatypes, string: no characters below 32 but tab, CR and LF; strict receivers refuse a Bundle that has one.
# This is how orjson writes them, after an even number of backslashes.
_CONTROL = re.compile(r"(?<!\\)(?:\\\\)*\\(?:(u00[01][0-9a-f])|[bf])")


def value_text(value: object) -> str:
    """Give ``value`` as JSON. Raises RejectError ``render.charset`` for a control character or a lone surrogate."""
    try:
        text = orjson.dumps(value).decode()
    except TypeError as error:  # orjson.JSONEncodeError; the one cause here is a lone surrogate, which UTF-8 does not know
        raise _unsayable("a character that cannot be written as UTF-8") from error
    if "\\" in text and (found := _CONTROL.search(text)):
        number = int(found[1][1:], 16) if found[1] else {"b": 8, "f": 12}[found[0][-1]]
        raise _unsayable(f"the control character U+{number:04X}, which FHIR does not carry")
    return text


def members_text(value: dict[str, Any]) -> str:
    """Give the members of an object without its braces. Raises RejectError as ``value_text`` does."""
    return value_text(value)[1:-1]


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Give (path, text) of every value below ``value``; the members of a list share their path."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from leaves(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for inner in value:
            yield from leaves(inner, path)
    else:
        yield path, str(value)


def _unsayable(what: str) -> RejectError:
    return RejectError(
        "render.charset",
        f"A text of this strip holds {what}.",
        remedy="Check the character set of the analyzer's profile, then read this again.",
    )
