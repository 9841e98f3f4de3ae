"""What simulated analyzers send as HL7 v2 and JSON, held against libraries and the published form."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import jsonschema
import pytest
from hl7apy.parser import parse_message  # independent: hl7apy 1.3.5

from bridge.demo.printers import Play, printed
from bridge.settings import shipped_mappings
from bridge.site import tables_for

TABLES = tables_for(None)
AT = datetime(2026, 11, 25, 9, 5, tzinfo=UTC)
STRIP = Play(
    number=7,
    at=AT,
    patient_id="40700001",
    patient_name="ALDER^JONA",
    specimen_id="U26-7",
    strip_type="sedge-5",
    ranks={"protein": 1},
)


def hl7(play: Play) -> bytes:
    return printed([play], TABLES.profiles["dipper"], TABLES)


def test_a_message_is_exact() -> None:
    """Segments and fields where the profile looks for them; the lot is a result beside the pads."""
    assert hl7(STRIP).split(b"\r") == [
        b"MSH|^~\\&|ANALYZER|BENCH|||20261125090500||ORU^R01|2611250007|P|2.5.1".replace(b"2611250007", b"26112500007"),
        b"PID|1||40700001^^^^MR||ALDER^JONA",
        b"OBR|1||00007|S5",
        b"OBX|1|ST|PHVA||5.2|||N|||F|||||07|||20261125090500",
        b"OBX|2|ST|LEUK||NEG|||N|||F|||||07|||20261125090500",
        b"OBX|3|ST|GLUC||NEG|||N|||F|||||07|||20261125090500",
        b"OBX|4|ST|NITR||NEG|||N|||F|||||07|||20261125090500",
        b"OBX|5|ST|PROT||35|mg/dL||A|||F|||||07|||20261125090500",
        b"OBX|6|ST|LOT||24A01||||||F",
        b"SPM|1|U26-7",
        b"",
    ]


def test_a_message_has_the_structure_of_the_standard() -> None:
    """hl7apy, which shares no code with us, finds ORU_R01's groups: one patient, one order, six results, one specimen."""
    order = parse_message(hl7(STRIP).decode("ascii"), find_groups=True).ORU_R01_PATIENT_RESULT.ORU_R01_ORDER_OBSERVATION
    assert len(order.ORU_R01_OBSERVATION) == 6
    assert order.ORU_R01_SPECIMEN.SPM.SPM_2.to_er7() == "U26-7"


@pytest.mark.parametrize(("word", "segment"), [("S", b"TQ1|||||||||S"), ("Q", b"SPM|1||||||||||Q")])
def test_the_word_stands_where_it_belongs(word: str, segment: bytes) -> None:
    """STAT is the order's priority (HL7 table 0485), a control the specimen's role (table 0369)."""
    play = Play(number=7, at=AT, patient_id="40700001", word=word, strip_type="sedge-5")
    assert segment in hl7(play).split(b"\r")


def test_a_copy_is_another_message() -> None:
    """A strip sent again from memory says so; a message whose answer was lost is sent again as it was."""
    copy = Play(**{name: getattr(STRIP, name) for name in Play.__slots__} | {"is_copy": True})
    assert hl7(STRIP) == hl7(STRIP)
    assert b"OBX|7|ST|COPY||RESENT||||||F" in hl7(copy)
    assert b"|26112500007C|" in hl7(copy)


def test_a_posted_reading_has_the_published_form() -> None:
    """mappings/schemas/reading.json, by the library jsonschema; only what the profile lists."""
    document = json.loads(printed([STRIP, STRIP], TABLES.profiles["lark"], TABLES))
    schema = json.loads((shipped_mappings() / "schemas" / "reading.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, schema)
    first, second = document["readings"]
    assert first == second
    assert (first["number"], first["printed_date"], first["patient_id"]) == ("7", "2026-11-25T09:05:00", "40700001")
    assert first["pads"][4] == {"label": "PROT", "value": "35", "unit": "mg/dL", "mark": "A"}
