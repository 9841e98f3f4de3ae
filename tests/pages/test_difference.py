"""Two messages side by side: every place where they differ, named as the standards name it, and no other."""

from __future__ import annotations

from dataclasses import replace

from bridge.model import Format, Message
from bridge.pages.difference import Difference, differences
from tests.store import strips as s

OLD = (
    "MSH|^~\\&|PADPOST|BENCH|||20261125120000||ORU^R01^ORU_R01|M1|P|2.5.1\rPID|1||4711\r"
    "OBX|1|ST|5792-7||neg\rOBX|2|ST|20454-5||trace\r"
)


def hl7(text: str) -> Message:
    """Give a message of these segments."""
    return replace(s.message(s.result("R1"), "M1"), payload=text.encode(), format=Format.ORU_R01)


def fhir(text: str) -> Message:
    """Give a message of this JSON."""
    return replace(hl7(""), payload=text.encode(), format=Format.FHIR)


def test_the_same_differs_nowhere() -> None:
    """Nor where only the time of the message and its control ID are others (HL7 v2.5.1 section 2.14.9: MSH-7, MSH-10)."""
    new = OLD.replace("20261125120000", "20261125130000").replace("|M1|", "|M2|")
    assert differences(hl7(OLD), hl7(new)) == ()


def test_fields_of_hl7_are_named_by_segment_and_number() -> None:
    """Of the second of its kind with its number; what is only in one of them stands against nothing."""
    new = OLD.replace("4711", "4712").replace("trace", "1+") + "NTE|1||repeated\r"
    assert differences(hl7(OLD), hl7(new)) == (
        Difference(place="PID-3", before="4711", after="4712"),
        Difference(place="OBX 2: OBX-5", before="trace", after="1+"),
        Difference(place="NTE-1", before="", after="1"),
        Difference(place="NTE-3", before="", after="repeated"),
    )
    assert differences(hl7(new), hl7(OLD))[-1] == Difference(place="NTE-3", before="repeated", after="")


def test_values_of_fhir_are_named_by_resource_and_path() -> None:
    """As FHIRPath writes a path (HL7 FHIRPath 2.0, section 3); the members of a list stand together."""
    old = '{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Observation","code":{"text":"GLU"}}},{"resource":{"resourceType":"Observation","valueString":"neg","note":[{"text":"a"},{"text":"b"}]}}]}'
    new = old.replace('"neg"', '"1+"').replace('{"text":"b"}', '{"text":"c"}')
    assert differences(fhir(old), fhir(new)) == (
        Difference(place="Observation 2: valueString", before="neg", after="1+"),
        Difference(place="Observation 2: note.text", before="a, b", after="a, c"),
    )


def test_two_formats_are_not_held_side_by_side() -> None:
    """A receiver that takes another one by now: everything would differ, and say nothing."""
    assert differences(hl7(OLD), fhir("{}")) == ()
