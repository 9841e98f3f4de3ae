"""An outgoing message made readable, with nothing of it changed."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Format, Message, Priority
from bridge.pages.message_view import pretty_json, segments, text


def message(payload: bytes, fmt: Format = Format.ORU_R01) -> Message:
    """Give a message of these bytes."""
    return Message(
        destination="records",
        format=fmt,
        control_id="M1",
        payload=payload,
        result_id="R1",
        version=1,
        lane="l",
        priority=Priority.ROUTINE,
    )


@pytest.mark.parametrize(
    ("charset", "sent", "shown"),
    [
        ("UNICODE UTF-8", "Ilha do Sal\u00e9".encode(), "Ilha do Salé"),
        ("8859/1", "Sal\u00e9".encode("latin-1"), "Salé"),
        ("8859/15", "5\u20ac".encode("iso8859-15"), "5€"),
        ("", "Sal\u00e9".encode(), "Sal\\xc3\\xa9"),  # HL7 v2.5.1 section 2.14.9.18: without MSH-18 it is ASCII
        ("ASCII", b"plain", "plain"),
        ("UNICODE UTF-8", b"\xff", "\\xff"),
        ("KLINGON", b"plain\xe9", "plain\\xe9"),
    ],
)
def test_a_message_is_read_in_its_own_character_set(charset: str, sent: bytes, shown: str) -> None:
    """As MSH-18 declares it; a byte that is not in it stands as an escape, never as another letter."""
    head = f"MSH|^~\\&|A|B|C|D|20261125||ORU^R01^ORU_R01|M1|P|2.5.1||||||{charset}\rNTE|1||".encode()
    assert text(message(head + sent)) == head.decode() + shown


def test_fields_are_named_as_the_standard_counts_them() -> None:
    """HL7 v2.5.1 section 2.14.9: MSH-1 is the separator itself, so MSH-2 is what follows it."""
    found = segments(message(b"MSH|^~\\&|PADPOST||\rPID|1||4070\r"))
    assert [segment.name for segment in found] == ["MSH", "PID"]
    assert found[0].fields[:3] == (("MSH-1", "|"), ("MSH-2", "^~\\&"), ("MSH-3", "PADPOST"))
    assert found[1].fields == (("PID-1", "1"), ("PID-2", ""), ("PID-3", "4070"))


def test_numbers_keep_their_zeros() -> None:
    """1.010 is another statement than 1.01: it says how exactly it was measured."""
    payload = b'{"a":[1.010,{"b":"x,y: {z}"}],"c":[],"d":{},"e":"\\"q\\""}'
    assert pretty_json(message(payload, Format.FHIR)) == (
        '{\n  "a": [\n    1.010,\n    {\n      "b": "x,y: {z}"\n    }\n  ],\n  "c": [],\n  "d": {},\n  "e": "\\"q\\""\n}'
    )


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.decimals(allow_nan=False, allow_infinity=False, places=3).map(str) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), JSON, max_size=4))
def test_indenting_changes_no_value(value: dict[str, Any]) -> None:
    """Read back by the standard library's parser it is what was sent, number by number."""
    sent = json.dumps(value, separators=(",", ":"))
    shown = pretty_json(message(sent.encode(), Format.FHIR))
    assert json.loads(shown, parse_float=Decimal) == json.loads(sent, parse_float=Decimal)
