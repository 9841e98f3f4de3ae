"""JSON as FHIR carries it: read back by the standard library's reader."""

from __future__ import annotations

import json

import orjson
import pytest

from bridge.errors import RejectError
from bridge.render.fhir_json import leaves, members_text, value_text


@pytest.mark.parametrize("text", ["", "a\tb\r\nc", "\\u0001 \\b", "\\\\", '"', "\x7f", "尿", "\\"])
def test_what_fhir_carries_is_written(text: str) -> None:
    """R4 datatypes, string: of the control characters tab, CR and LF; backslashes are no control characters."""
    assert json.loads(value_text({"text": text})) == {"text": text}


@pytest.mark.parametrize("number", [*range(9), 11, 12, *range(14, 32)])
def test_a_control_character_is_named(number: int) -> None:
    """Also behind backslashes, whose number decides what an escape is."""
    for before in ("", "\\", "\\\\"):
        with pytest.raises(RejectError, match=rf"U\+{number:04X}") as found:
            value_text([f"{before}{chr(number)}"])
        assert found.value.rule == "render.charset"


def test_a_lone_surrogate_is_refused() -> None:
    """UTF-8 has none."""
    with pytest.raises(RejectError, match="cannot be written as UTF-8"):
        value_text("\udc80")


def test_members_are_the_object_without_braces() -> None:
    """So that prepared and varying members can be joined; digits pass unchanged."""
    assert members_text({"a": 1, "b": orjson.Fragment("1.010")}) == '"a":1,"b":1.010'


def test_every_leaf_has_its_path() -> None:
    """The members of a list share their path, and a value is its text."""
    resource = {"code": {"coding": [{"code": "a"}, {"code": "b"}]}, "value": "1.010", "update": False}
    assert list(leaves(resource, "Observation")) == [
        ("Observation.code.coding.code", "a"),
        ("Observation.code.coding.code", "b"),
        ("Observation.value", "1.010"),
        ("Observation.update", "False"),
    ]
    assert list(leaves({"id": "x"})) == [("id", "x")]
