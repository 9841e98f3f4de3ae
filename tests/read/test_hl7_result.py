"""HL7 v2 result messages, strip by strip. Segment order: HL7 v2.5.1 chapters 7.3.1 (ORU) and 7.3.8 (OUL^R22), as the oracle hl7apy has them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hl7apy.parser import parse_message  # independent: hl7apy 1.3.5
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Capture, Reading, Unreadable, Way
from bridge.read.capture import cut, read_capture
from bridge.read.hl7_result import MOST_ABOVE, charset_of
from bridge.read.sheet import Sheet
from bridge.tables.types import Profile
from bridge.wire.text import plain
from tests.read.captures import Strips, fixture, printed, profile, told

DIPPER = profile("dipper")
HEADER = r"MSH|^~\&|DIPPER|BENCH|||20261125091500||ORU^R01^ORU_R01|D1|P|2.5.1"
PATIENT = "PID|1||40718823^^^CLINIC^MR"
ORDER = "OBR|1||00012|S5"
PAD = "OBX|1|ST|PHVA||6.8|||N|||F|||||07|||20261125091412"


def message(*segments: str, charset: str = "latin-1", end: str = "\r") -> bytes:
    return (end.join(segments) + end).encode(charset)


def read(payload: bytes, made: Profile = DIPPER, *, way: Way = Way.FOLDER, torn: bool = False) -> Strips:
    arrived = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    return read_capture(Capture(source="s", way=way, arrived_at=arrived, payload=payload, torn=torn), made, analyzer="bench-1")


def one(payload: bytes, **more: Any) -> Reading:
    (strip,) = read(payload, **more)
    assert isinstance(strip, Reading), strip
    return strip


def fault(payload: bytes, **more: Any) -> Unreadable:
    strip = read(payload, **more)[-1]
    assert isinstance(strip, Unreadable), strip
    return strip


def shown(payload: bytes, strip: Unreadable) -> bytes:
    assert strip.finding.place is not None
    return payload[strip.finding.place.start : strip.finding.place.end]


def test_every_value_knows_its_bytes() -> None:
    """What a technician is shown of the capture is what was read: each place holds its text, but for escapes and SN."""
    payload = DIPPER.example.payload
    for strip in read(payload):
        assert isinstance(strip, Reading)
        for value in printed(strip):
            text = payload[value.place.start : value.place.end].decode("ascii")
            assert text.replace(r"\T\ ".strip(), "&") == value.text


def test_the_example_is_one_by_an_independent_parser() -> None:
    """hl7apy finds the same structure: two orders with seven and two observations, each with its specimen behind."""
    groups = parse_message(
        DIPPER.example.payload.decode("ascii"), find_groups=True
    ).ORU_R01_PATIENT_RESULT.ORU_R01_ORDER_OBSERVATION
    assert [len(group.ORU_R01_OBSERVATION) for group in groups] == [7, 2]
    assert [group.ORU_R01_SPECIMEN.SPM.SPM_2.EIP_1.to_er7() for group in groups] == ["U26-0419", "QC-LOW"]


def test_a_specimen_oriented_message() -> None:
    """In OUL^R22 the specimen stands above, its own OBX is no pad, and a PID without an ID ends the patient."""
    first, second, third = read(fixture("dipper_oul.hl7"))
    assert told(first) == {
        "number": "00020",
        "printed_date": "20261125092812",
        "patient_id": "40718823",
        "patient_name": "Méné^Zoé",
        "order_number": "K7750",
        "specimen_id": "U26-0430",
        "operator": "07",
        "strip_type": "S5",
        "strip_lot": "22B07",
        "pads": [("PHVA", "6.0", None, "N"), *((label, "NEG", None, "N") for label in ("LEUK", "GLUC", "NITR", "PROT"))],
    }
    assert told(second) == {"rule": "read.status"}
    assert isinstance(third, Reading)
    assert (third.patient_id, third.purpose and third.purpose.text, third.specimen_id and third.specimen_id.text) == (
        None,
        "Q",
        "QC-HIGH",
    )


def test_an_unsolicited_point_of_care_message() -> None:
    """ORU^R30 has ORC before its one OBR and no specimen."""
    strip = one(message(HEADER.replace("ORU^R01^ORU_R01", "ORU^R30^ORU_R30"), PATIENT, "ORC|NW|K1", ORDER, PAD))
    assert (strip.order_number and strip.order_number.text, len(strip.pads)) == ("K1", 1)


@pytest.mark.parametrize(
    ("status", "rule"),
    [
        ("F", ""),
        ("P", "read.status"),
        ("C", "read.status"),
        ("D", "read.status"),
        ("W", "read.status"),
        ("X", "read.status"),
        ("", "read.status"),
    ],
)
def test_only_a_final_result_is_read(status: str, rule: str) -> None:
    """HL7 table 0085: preliminary, corrected, deleted, wrong and missing results are more than a value; a person looks first."""
    strip = read(message(HEADER, PATIENT, ORDER, PAD.replace("|F|", f"|{status}|")))[0]
    assert told(strip).get("rule", "") == rule


def test_a_preliminary_order_is_not_read() -> None:
    """OBR-25 speaks for all of the order's results (HL7 table 0123); left empty it says nothing."""
    payload = message(HEADER, PATIENT, ORDER + "|" * 21 + "P", PAD)
    assert (fault(payload).finding.rule, shown(payload, fault(payload))) == ("read.status", b"P")


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        ("SN", ">=^1200", ">=1200"),
        ("SN", "^110", "110"),
        ("SN", "=^5", "5"),
        ("SN", "^1^:^128", "1:128"),
        ("NM", " 6.8 ", "6.8"),
        ("ST", '""', ""),
    ],
)
def test_value_types(kind: str, value: str, text: str) -> None:
    """A structured numeric is read as it would be printed (HL7 v2.5.1 chapter 2.A.69); an explicit null is empty."""
    strip = one(message(HEADER, PATIENT, ORDER, PAD.replace("|ST|PHVA||6.8", f"|{kind}|PHVA||{value}")))
    assert strip.pads[0].value.text == text


def test_escapes_and_other_separators() -> None:
    """Separators are the message's own; an escaped one is a sign of the text (HL7 v2.5.1 chapter 2.7)."""
    payload = message("MSH#*!?%#DIPPER#BENCH###20261125091500##ORU*R01#D1#P#2.5.1", "PID#1##40718823***CLINIC*MR##A?S?B?F?^|",
                      "OBR#1##00012#S5", "OBX#1#ST#PHVA##6.8###N###F")  # fmt: skip
    strip = one(payload)
    assert (strip.patient_name and strip.patient_name.text) == "A*B#^|"


@pytest.mark.parametrize("charset", ["ascii", "iso8859-1", "iso8859-15", "utf-8"])
def test_the_declared_character_set_is_used(charset: str) -> None:
    """MSH-18 by HL7 table 0211; the profile's own set holds where it is empty."""
    declared = {"ascii": "ASCII", "iso8859-1": "8859/1", "iso8859-15": "8859/15", "utf-8": "UNICODE UTF-8"}[charset]
    payload = message(
        f"{HEADER}||||||{declared}", f"{PATIENT}||M{'a' if charset == 'ascii' else 'é'}rsh", ORDER, PAD, charset=charset
    )
    assert charset_of(payload, "latin-1") == charset
    assert told(one(payload))["patient_name"] in ("Marsh", "Mérsh")
    assert charset_of(message(HEADER), "latin-1") == "latin-1"


@pytest.mark.parametrize("declared", ["GB 18030-2000", "ISO IR87", "8859/2", "UTF-16", "ASCII~8859/1"])
def test_a_character_set_that_could_hide_a_separator_is_refused(declared: str) -> None:
    """In GB 18030 a character's second byte may be 0x7C, the field separator: structure would be guessed."""
    assert fault(message(f"{HEADER}||||||{declared}", PATIENT, ORDER, PAD)).finding.rule == "read.undecodable"


def test_bytes_that_are_not_of_the_declared_set_cost_their_strip_only() -> None:
    """The neighbour under another PID is unharmed."""
    payload = message(HEADER, f"{PATIENT}||M\xe9n", ORDER, PAD, PATIENT, ORDER.replace("12", "13"), PAD)
    assert [told(strip).get("rule") for strip in read(payload)] == ["read.undecodable", None]


@pytest.mark.parametrize(
    ("segments", "rule", "at"),
    [
        (["ZZZ|1"], "read.header", "ZZZ|1"),
        (["FHS|^~\\&|X", HEADER], "read.message", "FHS|^~\\&|X"),
        ([HEADER, PATIENT, ORDER, PAD, HEADER], "read.message", HEADER),
        ([HEADER.replace("ORU^R01", "ADT^A01"), PATIENT], "read.message", HEADER.replace("ORU^R01", "ADT^A01")),
        ([HEADER.replace("^~\\&", "^^^^"), PATIENT], "read.header", HEADER.replace("^~\\&", "^^^^")),
        ([HEADER, PATIENT, PAD], "read.record", PAD),
        ([HEADER, PATIENT, "ORC|RE|1", PAD], "read.record", PAD),
        ([HEADER, PATIENT, "ORC|RE|1"], "read.layout", "ORC|RE|1"),
        ([HEADER, PATIENT, ORDER, PAD.replace("OBX|1", "OBX|2")], "read.record", PAD.replace("OBX|1", "OBX|2")),
        ([HEADER, PATIENT, ORDER.replace("OBR|1", "OBR|2"), PAD], "read.record", ORDER.replace("OBR|1", "OBR|2")),
        ([HEADER, PATIENT, ORDER, "a broken line", PAD], "read.record", "a broken line"),
        ([HEADER, PATIENT, ORDER, PAD.replace("PHVA", "")], "read.record", PAD.replace("PHVA", "")),
        ([HEADER, PATIENT, ORDER, PAD.replace("6.8", "6.8~5.0")], "read.twice", "6.8~5.0"),
        (
            [HEADER, PATIENT, ORDER, PAD, PAD.replace("OBX|1", "OBX|2").replace("091412", "091413")],
            "read.twice",
            "20261125091413",
        ),
        ([HEADER, f"{PATIENT}~40718860^^^X^MR", ORDER, PAD], "read.twice", "40718860"),
        ([HEADER, PATIENT + "\x00", ORDER, PAD], "read.control", "\x00"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(segments: list[str], rule: str, at: str) -> None:
    """Each fault names its rule and the bytes that a person must look at."""
    payload = message(*segments)
    found = fault(payload)
    assert (found.finding.rule, shown(payload, found).decode("latin-1")) == (rule, at)


def test_a_spoilt_line_puts_every_later_strip_of_the_patient_in_doubt() -> None:
    """It may have been the next PID: nobody's strip is filed under the patient above it. The next PID ends the doubt."""
    payload = message(HEADER, PATIENT, ORDER, PAD, "P.D|2||40718860", "OBR|2||00013|S5", PAD, PATIENT, "OBR|1||00014|S5", PAD)
    assert [told(strip).get("rule") or told(strip)["number"] for strip in read(payload)] == [
        "read.record",
        "read.record",
        "00014",
    ]


@pytest.mark.parametrize("line", ["noise", "OBX"])
def test_a_strip_of_very_many_lines_is_read_once_through(line: str) -> None:
    """40,000 wrong lines are one spoilt strip. To compare each with all before it took five minutes, in which nothing else was read."""
    (strip,) = read(message(HEADER, PATIENT, ORDER, *[line] * 40_000))
    assert isinstance(strip, Unreadable)
    assert (strip.finding.rule, strip.place.end) == ("read.record", len(message(HEADER, PATIENT, ORDER, *[line] * 40_000)))


def test_too_much_above_an_order_puts_the_patients_strips_in_doubt() -> None:
    """Every strip is read in the light of all that stands above it: 4 MB of that before 4 MB of orders would take days."""
    few, many = (["NTE|1||x"] * (MOST_ABOVE - 1), ["NTE|1||x"] * MOST_ABOVE)
    assert told(one(message(HEADER, PATIENT, *few, ORDER, PAD)))["number"] == "00012"
    payload = message(HEADER, PATIENT, *many, ORDER, PAD, "OBR|2||00013|S5", PAD, PATIENT, "OBR|1||00014|S5", PAD)
    assert [told(strip).get("rule") or told(strip)["number"] for strip in read(payload)] == [
        "read.record",
        "read.record",
        "00014",
    ]


def test_an_instrument_that_does_not_count() -> None:
    """``numbered: false``: set IDs are not looked at."""
    assert DIPPER.hl7 is not None
    loose = replace(DIPPER, hl7=replace(DIPPER.hl7, numbered=False))
    assert len(one(message(HEADER, PATIENT, "OBR|||00012|S5", PAD.replace("OBX|1", "OBX|")), made=loose).pads) == 1


@pytest.mark.parametrize(
    ("way", "torn", "rule"),
    [(Way.FOLDER, False, "read.torn"), (Way.MLLP, False, None), (Way.HTTP, False, None), (Way.MLLP, True, "read.torn")],
)
def test_a_missing_last_carriage_return(way: Way, torn: bool, rule: str | None) -> None:
    """In a file it may be a cut; inside MLLP's end block or HTTP's length it is a habit of some senders (our notes, wire.md)."""
    strip = read(message(HEADER, PATIENT, ORDER, PAD)[:-1], way=way, torn=torn)[0]
    assert told(strip).get("rule") == rule


def test_line_feeds_end_segments_too() -> None:
    """Some senders write CR LF; a lone LF inside a text is a broken line and stops its strip."""
    assert told(one(message(HEADER, PATIENT, ORDER, PAD, end="\r\n"))) == told(one(message(HEADER, PATIENT, ORDER, PAD)))
    assert fault(message(HEADER, PATIENT, ORDER, PAD, "NTE|1||two\nlines")).finding.rule == "read.record"


def test_the_first_place_that_says_something_counts() -> None:
    """``A or B``: a control's role goes before an order's priority, a placeholder role says nothing."""

    def purpose(*more: str) -> str | None:
        found = one(message(HEADER, PATIENT, ORDER, *more)).purpose
        return found.text if found else None

    stat = "TQ1|1||||||||S"
    assert purpose(PAD) is None
    assert purpose(stat, PAD, "SPM|1|U||UR|||||||P") == "S"
    assert purpose(stat, PAD, "SPM|1|U||UR|||||||Q") == "Q"
    assert purpose(stat.replace("S", "R"), PAD) is None
    assert purpose(PAD, "SPM|1|U||UR|||||||C") == "C"  # a calibrator: no word of the profile, so the strip is stopped


def tiles(payload: bytes) -> None:
    sheet = Sheet(plain(payload), charset_of(payload, "ascii"))
    at = 0
    for piece in cut(sheet, DIPPER, torn=False):
        assert piece.start >= at
        assert sheet.bytes[at : piece.start].strip(b"\r\n\t ") == b""
        at = piece.end
    assert sheet.bytes[at:].strip(b"\r\n\t ") == b""


@given(st.binary(max_size=200))
def test_any_bytes(noise: bytes) -> None:
    """The reader never raises, and no byte but a blank is left out of the pieces."""
    for payload in (noise, message(HEADER, PATIENT) + noise, message(HEADER, PATIENT, ORDER, PAD) + noise):
        tiles(payload)
        assert read(payload)


@given(st.data())
def test_a_damaged_message_never_moves_a_strip_to_another_patient(data: st.DataObject) -> None:
    """One byte lost, doubled or changed: each strip that is still read has the patient, or none, that it had; or its very bytes changed."""
    other = PATIENT.replace("40718823", "40718860")
    payload = message(HEADER, PATIENT, ORDER, PAD, other, "OBR|1||00013|S5", PAD)
    at = data.draw(st.integers(len(HEADER) + 1, len(payload) - 1))
    change = data.draw(st.sampled_from([b"", payload[at : at + 1] * 2, b"|", b"\r", b"X"]))
    spoilt = payload[:at] + change + payload[at + 1 :]
    for strip in read(spoilt):
        if isinstance(strip, Reading) and strip.number and strip.number.text in ("00012", "00013") and strip.patient_id:
            own, wrong = ("40718823", "40718860") if strip.number.text == "00012" else ("40718860", "40718823")
            assert strip.patient_id.text != wrong, (spoilt, own)


@pytest.mark.parametrize(("field", "said"), [("P", "P"), ("T", "T"), ("D^A", "D"), ("", ""), ('""', "")])
def test_every_message_says_whether_it_is_live(field: str, said: str) -> None:
    """MSH-11.1 (2.5.1 chapter 2.15.9.11) goes with each strip, an empty one too: what says nothing is not taken for live."""
    payload = message(HEADER.replace("|P|", f"|{field}|"), PATIENT, ORDER, PAD)
    strip = one(payload)
    assert strip.processing_id is not None
    assert strip.processing_id.text == said
    start = strip.processing_id.place.start
    assert payload[start : start + len(said)] == said.encode()


def test_a_test_and_the_same_strip_live_are_two_records() -> None:
    """Else the live one would be taken for a copy of its test, and be lost."""
    live, test, unsaid = (
        one(message(HEADER.replace("|P|", f"|{said}|"), PATIENT, ORDER, PAD)).record_digest for said in ("P", "T", "")
    )
    assert len({live, test, unsaid}) == 3
