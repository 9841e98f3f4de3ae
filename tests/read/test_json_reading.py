"""Posted JSON readings: the form, the places, and what is refused. Grammar: RFC 8259; the peer is Python's json."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import jsonschema
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.model import Capture, Reading, Unreadable, Way
from bridge.read.capture import read_capture
from bridge.tables.schemas import schema_texts
from tests.read.captures import Strips, fixture, printed, profile, told

LARK = profile("lark")
SCHEMA = json.loads(schema_texts()["reading.json"])


def read(payload: bytes | str) -> Strips:
    payload = payload.encode("utf-8", "surrogatepass") if isinstance(payload, str) else payload
    arrived = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    return read_capture(Capture(source="s", way=Way.HTTP, arrived_at=arrived, payload=payload), LARK, analyzer="bench-1")


def fault(payload: bytes | str) -> Unreadable:
    strip = read(payload)[-1]
    assert isinstance(strip, Unreadable), strip
    return strip


def test_the_example_follows_the_published_schema() -> None:
    """Who writes by the schema is understood (checked by the jsonschema library); every value knows its bytes."""
    payload = LARK.example.payload
    assert list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(json.loads(payload))) == []
    for strip in read(payload):
        assert isinstance(strip, Reading)
        for value in printed(strip):
            assert json.loads(b'"' + payload[value.place.start : value.place.end] + b'"') == value.text


def test_a_bad_reading_costs_no_neighbour() -> None:
    """A misspelt key must not vanish: the patient's would leave a strip without its patient."""
    good, misspelt, control = read(fixture("lark_bad.json"))
    assert isinstance(good, Reading)
    assert (good.number and good.number.text, len(good.pads)) == ("20", 5)
    assert (told(misspelt), told(control)) == ({"rule": "read.layout"}, {"rule": "read.control"})
    assert isinstance(misspelt, Unreadable)
    assert misspelt.finding.sentence == "/readings/1/ holds a key that this source's profile does not read."
    place = misspelt.finding.place
    assert place is not None
    assert fixture("lark_bad.json")[place.start : place.end] == b"40718823"


@pytest.mark.parametrize(
    ("text", "rule", "said"),
    [
        ("", "read.json", "(line 1, byte 1): No JSON value stands here."),
        ('{"readings": [\n{"number": "1",}]}', "read.json", "(line 2, byte 16): Nothing stands behind the last comma."),
        ('{"readings": [{}] ', "read.json", "(line 1, byte 19): A comma or a closing bracket is missing here."),
        ('{"readings": [{}]} x', "read.json", "Something stands behind the end"),
        ('{"readings": [{"number": "1", "number": "2"}]}', "read.json", "A key stands twice in one object."),
        ('{"readings" [{}]}', "read.json", "A colon is missing here."),
        ("{'readings': []}", "read.json", "No JSON text in quotes stands here"),
        ('{"readings": [{"number": "a\nb"}]}', "read.json", "No JSON text in quotes stands here"),
        ("[" * 20, "read.json", "nested deeper than 8 levels"),
        ("[]", "read.layout", "The document is no object."),
        ("{}", "read.layout", "/readings is no list of readings."),
        ('{"readings": []}', "read.layout", "/readings is no list of readings."),
        ('{"readings": [1]}', "read.layout", "/readings/0 is no object."),
        ('{"readings": [{"number": 12}]}', "read.layout", "/readings/0/number is no text."),
        ('{"readings": [{"number": null}]}', "read.layout", "/readings/0/number is no text."),
        ('{"readings": [{"pads": [{"label": "PHVA", "value": 1.010}]}]}', "read.layout", "/readings/0/pads/0/value is no text."),
        ('{"readings": [{"pads": [{"label": "PHVA"}]}]}', "read.layout", "/readings/0/pads/0/value is missing."),
        ('{"readings": [{"pads": {}}]}', "read.layout", "/readings/0/pads is no list."),
        ('{"readings": [{"sex": "F"}]}', "read.layout", "/readings/0/ holds a key that this source's profile does not read."),
        ('{"readings": [{"number": "\\ud800"}]}', "read.undecodable", "is not text in the character set utf-8"),
        (b'{"readings": [{"number": "\xff"}]}', "read.undecodable", "is not text in the character set utf-8"),
        (b'\xef\xbb\xbf{"readings": [{}]}', "read.json", "No JSON value stands here."),
    ],
)
def test_what_is_wrong_is_told(text: bytes | str, rule: str, said: str) -> None:
    """Malformed, misshapen or numbers in place of text: the sentence names where; numbers would lose the zero of 1.010."""
    finding = fault(text).finding
    assert finding.rule == rule
    assert said in finding.sentence
    assert finding.place is not None


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(JSON)
@example({"": None, " ": None})
def test_what_a_json_library_writes_is_never_called_malformed(value: object) -> None:
    """Any document that Python's json writes is taken apart; what is no reading is told so, and never as broken JSON."""
    for text in (json.dumps(value), json.dumps(value, indent=1, ensure_ascii=False)):
        for strip in read(text):
            assert (
                told(strip).get("rule") in {"read.layout", "read.control", "read.undecodable"}
                or "nested" in fault(text).finding.sentence
            )


@given(st.binary(max_size=120))
def test_any_bytes(payload: bytes) -> None:
    """Never an exception; and what Python's json refuses is never read."""
    strips = read(payload)
    assert strips
    try:
        json.loads(payload)
    except ValueError:
        assert all(isinstance(strip, Unreadable) for strip in strips)


@given(st.lists(st.text(st.characters(blacklist_categories=("Cc", "Cs")), min_size=1, max_size=8), min_size=1, max_size=3))
def test_every_text_comes_back(texts: list[str]) -> None:
    """Whatever a patient's name holds, escaped or not, is read as it was written, outer blanks aside."""
    document = {"readings": [{"patient_name": text} for text in texts]}
    for ascii_only in (True, False):
        said = [told(strip).get("patient_name", "") for strip in read(json.dumps(document, ensure_ascii=ascii_only))]
        assert said == [text.strip(" \t") for text in texts]
