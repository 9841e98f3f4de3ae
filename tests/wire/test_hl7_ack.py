"""Acknowledgements of HL7 v2 messages. What they must hold: HL7 v2.5.1 chapter 2.9.2, 2.15.5 and 2.15.8; parsed by hl7apy."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hl7apy.parser import parse_message  # independent: hl7apy 1.3.5
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire import er7, hl7_ack
from bridge.wire.hl7_ack import Objection, acknowledge, header_of, place_of

AT = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
MESSAGE = b"MSH|^~\\&|DIPPER|BENCH|LAB|HOUSE|20261125091500||ORU^R01^ORU_R01|D0000041|P|2.5.1||||||UNICODE UTF-8\rPID|1||7\r"


def answered(message: bytes, code: str = "AA", *objections: Objection) -> bytes:
    header = header_of(message)
    assert header is not None
    return acknowledge(header, code, control_id="Q1M1", made_at=AT, objections=objections)


def test_the_answer_turns_the_header_round() -> None:
    """Names change places; version, processing ID, character set and control ID are the message's own."""
    assert answered(MESSAGE) == (
        b"MSH|^~\\&|LAB|HOUSE|DIPPER|BENCH|20261125093000+0000||ACK^R01^ACK|Q1M1|P|2.5.1||||||UNICODE UTF-8\rMSA|AA|D0000041\r"
    )


def test_errors_are_valid_by_an_independent_parser() -> None:
    """hl7apy finds the ERR segments of an ACK where 2.5.1 has them, and validates the message."""
    objections = (
        Objection(code="101", words="no patient ID", place="PID^1^3", rule="patient.missing"),
        Objection(code="207", words="later"),
    )
    made = parse_message(answered(MESSAGE, "AE", *objections).decode("ascii"), find_groups=True)
    made.validate()
    assert [made.MSA.MSA_1.to_er7(), made.MSA.MSA_2.to_er7(), made.MSA.MSA_3.to_er7()] == [
        "AE",
        "D0000041",
        "no patient ID later",
    ]
    assert [err.to_er7() for err in made.ERR] == [
        "ERR||PID^1^3|101^Required field missing^HL70357|E|patient.missing^no patient ID^L|||no patient ID",
        "ERR|||207^Application internal error^HL70357|E||||later",
    ]


def test_an_old_message_gets_words_in_msa_3() -> None:
    """ERR-2 to ERR-8 came with 2.5: an older sender is told in MSA-3."""
    old = answered(MESSAGE.replace(b"2.5.1", b"2.3.1"), "AE", Objection(code="101", words="no patient ID"))
    assert old.split(b"\r")[1:] == [b"MSA|AE|D0000041|no patient ID", b""]


@pytest.mark.parametrize(
    ("kind", "answer"),
    [
        ("ORU^R30^ORU_R30", b"ACK^R33^ACK"),
        ("OUL^R22", b"ACK^R22^ACK"),
        ("ORU", b"ACK"),
    ],
)
def test_the_answers_type(kind: str, answer: bytes) -> None:
    """The event is the message's; point-of-care results are answered ACK^R33 (HL7 v2.5.1 chapter 7.3.4)."""
    assert b"||" + answer + b"|Q1M1|" in answered(MESSAGE.replace(b"ORU^R01^ORU_R01", kind.encode()))


def test_other_separators_and_bytes_come_back_as_they_were() -> None:
    """The sender compares its control ID byte by byte, whatever its character set; our own words can be no structure to it."""
    made = answered(b"MSH#*!?%#D\xefPPER#B###20261125##ORU*R01#n\xb0 1#P#2.5", "AE", Objection(code="100", words="a#b*c é"))
    assert made.split(b"\r")[:2] == [
        b"MSH#*!?%###D\xefPPER#B#20261125093000+0000##ACK*R01*ACK#Q1M1#P#2.5",
        b"MSA#AE#n\xb0 1#a-b-c -",
    ]


@pytest.mark.parametrize("message", [b"", b"PID|1", b"MSH", b"MSH|^^\\&|A", b"MSH|^~\\&|A|" + b"x" * 5_000, b"MSH|^~\\&|A\x1cB|"])
def test_a_header_that_cannot_be_answered(message: bytes) -> None:
    """What is repeated in an answer must neither be long nor end its segment or frame."""
    assert header_of(message) is None


@pytest.mark.parametrize(
    ("accept", "application", "enhanced", "wanted"),
    [
        ("", "", False, (False, False, False, False)),
        ("AL", "NE", True, (True, True, False, False)),
        ("SU", "ER", True, (True, False, False, True)),
        ("ER", "SU", True, (False, True, True, False)),
        ("NE", "AL", True, (False, False, True, True)),
        ('""', '""', False, (False, False, False, False)),
    ],
)
def test_what_is_asked_for(accept: str, application: str, enhanced: bool, wanted: tuple[bool, bool, bool, bool]) -> None:
    """HL7 table 0155: always, never, on success, on error; enhanced mode where either field is valued (2.9.3)."""
    header = header_of(f"MSH|^~\\&|A|B|||1||ORU^R01|1|P|2.5.1|||{accept}|{application}".encode())
    assert header is not None
    assert header.is_enhanced is enhanced
    found = tuple(header.wants(number, good=good) for number in (hl7_ack.MSH_15, hl7_ack.MSH_16) for good in (True, False))
    assert found == wanted


@pytest.mark.parametrize(
    ("before", "place"),
    [
        (b"MSH|^~\\&|", "MSH^1^3^1^1"),
        (b"MSH|^~\\&|A\rPID|1||7^^^X^MR~", "PID^1^3^2^1"),
        (b"MSH|^~\\&|A\rOBX|1\rOBX|2|ST|A^", "OBX^2^3^1^2"),
        (b"MSH|^~\\&|A\r\nOBX|1\r\n", "OBX^2"),
        (b"MSH#*!?%#A\rOBX#1##A*", "OBX^1^3^1^2"),
        (b"PID|", ""),
    ],
)
def test_where_a_byte_stands(before: bytes, place: str) -> None:
    """Segment, its count among its kind, field, repetition, component, each from 1 (HL7 v2.5.1 chapter 2.15.5.2)."""
    assert place_of(before + (b"OBX|" if place == "OBX^2" else b"here|more"), len(before)) == place


@given(st.binary(max_size=120))
def test_any_header(noise: bytes) -> None:
    """Whatever a sender writes, an answer is two or more whole segments in which our own parser finds its control ID."""
    message = b"MSH|^~\\&|" + noise
    header = header_of(message)
    if header is not None:
        made = answered(message, "AE", Objection(code="100", words="no"))
        segments = er7.split(made, "8859/1")
        assert [segment[0] for segment in segments][:2] == ["MSH", "MSA"]
        assert segments[1][2] == header.field(10).decode("latin-1")
        assert b"\x0b" not in made
        assert b"\x1c" not in made
