"""Layout sections: typed, and refused where they contradict themselves. More wrong files are in test_compiled.py."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.errors import TableError
from bridge.tables.documents import DelimitedDocument, Hl7Document, JsonDocument, Lis2Document, SlipDocument
from bridge.tables.layouts import delimited, hl7, json, lis2, nearest, slip
from bridge.tables.types import Hl7Place

HERE = ("profiles/x.yaml", "section")


def test_lis2() -> None:
    """The fields come out as written; comments count as something found."""
    made, found = lis2(Lis2Document(fields={"number": "O.4", "label": "R.3.4", "value": "R.4"}, comments=True), HERE)
    assert (dict(made.fields), made.comments) == ({"number": "O.4", "label": "R.3.4", "value": "R.4"}, True)
    assert found == {"number", "label", "value", "comment"}


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"label": "R.3"}, "The layout does not say where a pad's value is."),
        ({"label": "R.3", "value": "O.4"}, "A pad's value cannot stand in O.4."),
        ({"label": "R.3", "value": "R.15"}, "'R.15' is no place in a record."),
        ({"label": "R.3", "value": "R.4", "comment": "C.4"}, "'comment' is not something a layout can find."),
        ({"label": "R.3", "value": "R.4", "priority": "O.6"}, "'priority' is not something a layout can find."),
        ({"label": "R.3", "value": "R.1"}, "'R.1' is no place in a record."),
        ({"label": "R.3", "value": "L.3"}, "A pad's value cannot stand in L.3."),
    ],
)
def test_lis2_refusals(fields: dict[str, str], said: str) -> None:
    """Each slip of the pen has its own sentence."""
    with pytest.raises(TableError) as caught:
        lis2(Lis2Document(fields=fields), HERE)
    assert caught.value.sentence == (said if "L.3" not in said else "'L.3' is no place in a record.")


def test_delimited() -> None:
    """Columns get their positions; one that is not read leaves a gap."""
    made, found = delimited(
        DelimitedDocument(delimiter="|", quote="'", header=("N", "?", "G", "U"), columns=("number", "-", "pad:G", "unit:G")), HERE
    )
    assert (dict(made.columns), made.width, made.header) == ({"number": 0, "pad:G": 2, "unit:G": 3}, 4, ("N", "?", "G", "U"))
    assert found == {"number", "pad", "unit"}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"columns": ("number", "unit:G")}, "'unit:G' has no pad beside it."),
        ({"columns": ("number", "operator")}, "No column holds a pad."),
        ({"columns": ("number", "pod:G")}, "'pod' is not something a layout can find."),
        ({"columns": ("numbr", "pad:G")}, "'numbr' is not something a layout can find."),
        ({"quote": ";"}, "Delimiter and quote are the same sign."),
        ({"delimiter": "\n"}, "'\\n' cannot be the delimiter."),
        ({"delimiter": "é"}, "'é' cannot be the delimiter."),
    ],
)
def test_delimited_refusals(changes: dict[str, Any], said: str) -> None:
    """Each slip of the pen has its own sentence."""
    document = DelimitedDocument.model_validate({"delimiter": ";", "columns": ("number", "pad:G"), **changes})
    with pytest.raises(TableError) as caught:
        delimited(document, HERE)
    assert caught.value.sentence == said


def test_slip() -> None:
    """Lines keep their order, and the names of all groups are found."""
    document = SlipDocument.model_validate(
        {
            "begin": "B",
            "end": "E",
            "lines": [
                {"name": "number", "pattern": "N(?P<number>[0-9]{1,3})", "required": True},
                {"name": "pad", "pattern": "(?P<label>[A-Z]{2}) (?P<value>.{1,9})"},
            ],
        }
    )
    made, found = slip(document, HERE)
    assert [(line.name, line.required) for line in made.lines] == [("number", True), ("pad", False)]
    assert (made.begin, made.end, made.ignore) == ("B", "E", "")
    assert found == {"number", "label", "value"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("(?P<label>A)", "A pad's line needs both its label and its value."),
        ("(?P<unit>A)", "A pad's line needs both its label and its value."),
        ("(?P<number>A)", "No line holds a pad."),
    ],
)
def test_slip_refusals(text: str, said: str) -> None:
    """Each slip of the pen has its own sentence."""
    with pytest.raises(TableError) as caught:
        slip(SlipDocument.model_validate({"begin": "B", "lines": [{"name": "x", "pattern": text}]}), HERE)
    assert caught.value.sentence == said


def test_nearest() -> None:
    """A near word is offered; else all of them, sorted."""
    assert nearest("glucos", ["glucose", "ph"]) == "Did you mean 'glucose'?"
    assert nearest("x", ["ph", "glucose"]) == "Use one of: glucose, ph."


def test_hl7() -> None:
    """Places are taken apart: component, condition, and what is tried next."""
    pads = {"label": "OBX-3.1", "value": "OBX-5"}
    places = {"patient_id": "PID-3.1 if PID-3.5 is MR", "purpose": "SPM-11.1 if SPM-11.1 is not P or TQ1-9.1"}
    made, found = hl7(Hl7Document(fields={**pads, **places}, messages=("ORU^R01", "OUL^R22"), comments=True), HERE)
    assert dict(made.fields) == {
        "label": (Hl7Place(segment="OBX", field=3, component=1),),
        "value": (Hl7Place(segment="OBX", field=5, component=0),),
        "patient_id": (Hl7Place(segment="PID", field=3, component=1, when_field=3, when_component=5, when_text="MR"),),
        "purpose": (
            Hl7Place(segment="SPM", field=11, component=1, when_field=11, when_component=1, when_text="P", when_not=True),
            Hl7Place(segment="TQ1", field=9, component=1),
        ),
    }
    assert made.messages == {("ORU", "R01"), ("OUL", "R22")}
    assert found == {"label", "value", "patient_id", "purpose", "comment"}


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"label": "OBX-3"}, "The layout does not say where a pad's value is."),
        ({"value": "PID-3"}, "A pad's value cannot stand in 'PID-3'."),
        ({"value": "OBX-5 or OBX-6"}, "A pad's value cannot stand in 'OBX-5 or OBX-6'."),
        ({"value": "OBX-5 if OBX-2 is ST"}, "A pad's value cannot stand in 'OBX-5 if OBX-2 is ST'."),
        ({"number": "OBR.3"}, "'OBR.3' is no place in an HL7 message."),
        ({"number": "OBR-0"}, "'OBR-0' is no place in an HL7 message."),
        ({"number": "EVN-2"}, "'EVN-2' is no place in an HL7 message."),
        ({"number": "OBR-3 if"}, "'OBR-3 if' is no place in an HL7 message."),
        ({"patient_id": "PID-3.1 if PV1-2 is O"}, "'PID-3.1 if PV1-2 is O' asks another segment."),
        ({"comment": "NTE-3"}, "'comment' is not something a layout can find."),
    ],
)
def test_hl7_refusals(fields: dict[str, str], said: str) -> None:
    """Each slip of the pen has its own sentence, and names the key."""
    pads = {"label": "OBX-3.1", "value": "OBX-5"} if set(fields) != {"label"} else {}
    with pytest.raises(TableError) as caught:
        hl7(Hl7Document(fields={**pads, **fields}, messages=("ORU^R01",)), HERE)
    assert caught.value.sentence == said
    assert caught.value.path[:2] == HERE


def test_json() -> None:
    """A profile lists what its posts may hold; a pad always has label and value."""
    made, found = json(JsonDocument(fields=("number", "comment", "unit")), HERE)
    assert made.fields == {"number", "comment", "unit"}
    assert found == {"number", "comment", "unit", "label", "value"}
    with pytest.raises(TableError, match="'numbr' is not something a layout can find"):
        json(JsonDocument(fields=("numbr",)), HERE)
