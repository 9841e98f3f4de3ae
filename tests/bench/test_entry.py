"""What can be chosen of a strip, and the document that is kept of the choice."""

from __future__ import annotations

import json

import pytest

from bridge.bench.entry import Choice, document, entered_by, ladders, says_the_same
from bridge.model import Capture, Reading, Way
from bridge.read import read_capture
from bridge.tables.documents import FormDocument
from bridge.tables.types import Profile
from tests.pages.stocked import NOW
from tests.tables.shipped_tables import tables

TABLES = tables()
EVERY_TYPE = sorted((name, printed) for name, profile in TABLES.profiles.items() for printed in profile.strip_types)


def test_a_ladder_says_each_step_as_a_person_reads_it() -> None:
    """Grades as the catalogue words them, with the number beside where the strip type has one; a number alone keeps its zeros."""
    found = {pad.pad: pad for pad in ladders(TABLES.profiles["heron"], "ten", TABLES)}
    nitrite, gravity = found["nitrite"], found["specific_gravity"]
    assert (nitrite.name, nitrite.label) == ("Nitrite", "nitrite")
    assert nitrite.choices == (
        Choice(rank=0, says="Negative", text="neg", unit=""),
        Choice(rank=1, says="Positive", text="pos", unit=""),
    )
    assert [each.says for each in gravity.choices][3] == "1.016"
    albumin = next(pad for pad in ladders(TABLES.profiles["heron"], "fourteen", TABLES) if pad.pad == "albumin")
    assert [each.says for each in albumin.choices] == ["Normal, ≤1.1 mg/dL", "1+, 2.8 mg/dL", "2+, 8.5 mg/dL", "3+, ≥14.0 mg/dL"]
    assert [each.says for each in found["protein"].choices][2].startswith("1+, ")
    assert {pad.read_after_s for pad in found.values()} == {None}, "no reading time is invented"


@pytest.mark.parametrize(("name", "printed"), EVERY_TYPE)
def test_every_step_can_be_chosen_and_is_read_as_itself(name: str, printed: str) -> None:
    """Whatever a profile prints: the text that is written for a step is that step's in the profile's own vocabulary, with a unit that it knows."""
    profile = TABLES.profiles[name]
    strip_type = TABLES.strip_types[profile.strip_types[printed]]
    pads = ladders(profile, printed, TABLES)
    assert [pad.pad for pad in pads] == [pad.pad for pad in strip_type.pads]
    for pad, declared in zip(pads, strip_type.pads, strict=True):
        words = profile.vocabularies[(strip_type.name, pad.pad)]
        assert [choice.rank for choice in pad.choices] == [step.rank for step in declared.ladder]
        assert len({choice.says for choice in pad.choices}) == len(pad.choices)
        for choice in pad.choices:
            step = words.tokens[choice.text].step
            assert step is not None
            assert step.rank == choice.rank
            assert choice.unit in words.units
        assert profile.labels[pad.label] == pad.pad


def kept(payload: bytes, profile: Profile) -> Reading:
    capture = Capture(source="eyes", way=Way.FORM, arrived_at=NOW, payload=payload, live=False)
    (reading,) = read_capture(capture, profile, analyzer="ward-4")
    assert isinstance(reading, Reading)
    return reading


@pytest.mark.parametrize("name", sorted(TABLES.profiles))
def test_a_document_is_read_whatever_the_profile_reads_otherwise(name: str) -> None:
    """Frames, character sets and layouts are of what comes by wire; a form is our own JSON, in UTF-8, and its places lie in its bytes."""
    fields = {"number": "7", "entered_by": "Åse “Ana” \\ ∆", "patient_id": "40700007", "operator": ""}
    payload = document(fields, [("protein", "+", ""), ("glucose", "110", "mg/dL")])
    FormDocument.model_validate_json(payload)
    reading = kept(payload, TABLES.profiles[name])
    assert reading.entered_by is not None
    assert reading.entered_by.text == fields["entered_by"]
    assert reading.operator is None
    assert [(pad.label.text, pad.value.text, pad.unit and pad.unit.text) for pad in reading.pads] == [
        ("protein", "+", None),
        ("glucose", "110", "mg/dL"),
    ]
    assert reading.patient_id is not None
    place = reading.patient_id.place
    assert payload[place.start : place.end] == b"40700007"
    assert entered_by(payload) == fields["entered_by"]


def test_only_a_form_says_who_entered_it() -> None:
    """What is posted over HTTP by an analyzer's computer cannot pass for an entry, nor an entry lack its person."""
    payload = json.dumps({"readings": [{"number": "7", "entered_by": "Ana", "pads": []}]}).encode()
    capture = Capture(source="posts", way=Way.HTTP, arrived_at=NOW, payload=payload)
    (found,) = read_capture(capture, TABLES.profiles["lark"], analyzer="bench-a")
    assert not isinstance(found, Reading)
    assert found.finding.rule == "read.layout"


def test_two_forms_are_one_whatever_their_times() -> None:
    """What differs besides date and time is another strip."""
    pads = [("GLU", "neg", "")]
    first = document({"number": "7", "printed_date": "25-11-2026", "printed_time": "08:00"}, pads)
    assert says_the_same(first, document({"number": "7", "printed_date": "25-11-2026", "printed_time": "08:01"}, pads))
    assert not says_the_same(first, document({"number": "8", "printed_date": "25-11-2026", "printed_time": "08:00"}, pads))
    assert not says_the_same(first, document({"number": "7"}, [("GLU", "1+", "")]))
