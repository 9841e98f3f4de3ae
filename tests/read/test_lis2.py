"""LIS02-A2 records: exact readings, escapes, hierarchy, and what a spoilt record costs."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.model import Place, Reading, Unreadable
from bridge.read.lis2 import Separators, separators
from tests.read.captures import content, fixture, printed, profile, read, told

FIRST = {
    "number": "N00012",
    "printed_date": "20261125091412",
    "patient_id": "40718823",
    "patient_name": "MARSH^ODA",
    "specimen_id": "U26-0419",
    "operator": "07",
    "strip_type": "S5",
    "strip_lot": "22B07",
    "comments": ["<b>second cup</b> A|B^CA"],
    "pads": [
        ("PHVA", "6.8", None, "N"),
        ("LEUK", "110", "/uL", "A"),
        ("GLUC", "NEG", None, "N"),
        ("NITR", "POS", None, "A"),
        ("PROT", "35", "mg/dL", "A"),
    ],
}
SECOND = {
    "number": "S00013",
    "printed_date": "20261125091640",
    "patient_id": "40718860",
    "operator": "07",
    "strip_type": "Q10",
    "strip_lot": "22D31",
    "copy_mark": "RESENT",
    "pads": [("KETO", "8", "mg/dL", "A"), ("SPGR", "1.010", None, "N")],
}
BARE = profile("brook", framed=False)
HEADER = "H|\\^&|||BROOK|||||||P|LIS2-A2|20261125091500\r"


def message(*records: str, end: str = "L|1|N\r") -> bytes:
    """Give a message of some records."""
    return (HEADER + "".join(record + "\r" for record in records) + end).encode()


def order(number: str, seq: int = 1) -> str:
    """Give an order record of a five-pad strip."""
    return f"O|{seq}||{number}|^^^S5"


def glucose(seq: int = 1, value: str = "NEG") -> str:
    """Give a result record."""
    return f"R|{seq}|^^^GLUC|{value}"


def test_two_strips_without_frames() -> None:
    """Two strips of one message, each under its own patient."""
    assert [told(strip) for strip in read(fixture("brook_two_strips.lis02"), BARE)] == [FIRST, SECOND]


def test_two_strips_in_frames() -> None:
    """The same text in frames gives the same readings: a frame may end in the middle of a value."""
    assert [told(strip) for strip in read(fixture("brook_two_strips.lis01"), profile("brook"))] == [FIRST, SECOND]


def test_places_lead_back_to_the_bytes() -> None:
    """Every value can be shown in the capture as it came, outer blanks left out."""
    payload = fixture("brook_two_strips.lis02")
    for strip in read(payload, BARE):
        assert isinstance(strip, Reading)
        for value in printed(strip):
            raw = payload[value.place.start : value.place.end]
            assert raw.decode() == value.text or b"&F&" in raw
    first = read(payload, BARE)[0]
    assert isinstance(first, Reading)
    assert first.patient_id is not None
    assert (first.place, first.patient_id.place) == (Place(start=54, end=387), Place(start=59, end=67))


def test_places_lead_into_the_frames() -> None:
    """In frames, a value's place begins and ends at its own bytes, with the frame's bytes between where it was cut."""
    payload = fixture("brook_two_strips.lis01")
    for strip in read(payload, profile("brook")):
        assert isinstance(strip, Reading)
        for value in printed(strip):
            raw = payload[value.place.start : value.place.end].decode()
            if "&F&" not in raw and value.text:
                assert (raw[0], raw[-1]) == (value.text[0], value.text[-1])
                assert raw == value.text or "\x17" in raw


def test_record_digest_is_of_the_strips_own_records() -> None:
    """The same strip in another message has the same digest: header and neighbours are not in it."""
    payload = fixture("brook_two_strips.lis02")
    own = payload[payload.index(b"P|2") : payload.index(b"\rL|1")]
    assert read(payload, BARE)[1].record_digest == hashlib.sha256(own).hexdigest()
    alone = HEADER.encode() + own + b"\rL|1|N\r"
    assert read(alone, BARE)[0].record_digest == hashlib.sha256(own).hexdigest()


def test_torn_transmission() -> None:
    """What was whole before the tear is read; the strip in the tear is not, however little it lacks. HZ-D04, HZ-F04."""
    first, second = read(fixture("brook_torn.lis01"), profile("brook"), torn=True)
    assert told(first) == FIRST
    assert isinstance(second, Unreadable)
    assert second.finding.rule == "read.torn"
    assert second.finding.remedy == "Send the strip again from the analyzer's memory."
    assert (second.index, second.analyzer) == (1, "bench-1")


def test_unknown_record_type() -> None:
    """A record that we do not know stops its strip, with its place; the neighbour is read. HZ-D16."""
    payload = fixture("brook_unknown_record.lis02")
    first, second = read(payload, BARE)
    assert told(first) == FIRST
    assert isinstance(second, Unreadable)
    assert second.finding.rule == "read.record"
    assert second.finding.place is not None
    assert payload[second.finding.place.start : second.finding.place.end] == b"Z|1|what"


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_any_line_end(end: str) -> None:
    """A message that went through a file may have other line ends."""
    payload = fixture("brook_two_strips.lis02").decode().replace("\r", end).encode()
    assert [told(strip) for strip in read(payload, BARE)] == [FIRST, SECOND]


def test_two_orders_of_one_patient() -> None:
    """A second order stands under the same patient record; the patient is in its digest."""
    payload = message("P|1||40718823", order("N00001"), glucose(), order("N00002", 2), glucose())
    one, two = read(payload, BARE)
    assert told(two) == {"number": "N00002", "patient_id": "40718823", "strip_type": "S5", "pads": [("GLUC", "NEG", None, None)]}
    assert one.record_digest != two.record_digest
    other = read(payload.replace(b"40718823", b"40718824"), BARE)
    assert other[1].record_digest != two.record_digest


def test_no_patient_record() -> None:
    """Without a patient record the strip has no patient; the check says so, not the reader."""
    (strip,) = read(message(order("N00001"), glucose()), BARE)
    assert told(strip) == {"number": "N00001", "strip_type": "S5", "pads": [("GLUC", "NEG", None, None)]}


@pytest.mark.parametrize(
    "records",
    [
        ("P|1||40718823", order("N00001"), glucose(), order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "X|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "O|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "C|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "M|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "H|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "L|2||40718860", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "", order("N00002"), glucose()),
        ("P|1||40718823", order("N00001"), glucose(), "R|2||40718860", order("N00002"), glucose()),
    ],
)
def test_a_lost_patient_record_never_lends_its_neighbours(records: tuple[str, ...]) -> None:
    """Where the second strip's patient record was lost or spoilt, the strip must never come under the first strip's patient."""
    strips = read(message(*records), BARE)
    read_as = {strip.number.text: strip.patient_id for strip in strips if isinstance(strip, Reading) and strip.number}
    assert "N00002" not in read_as
    assert any(isinstance(strip, Unreadable) and strip.finding.rule == "read.record" for strip in strips)


@settings(max_examples=300, deadline=None)
@given(at=st.integers(0, 10_000), byte=st.integers(0, 255), keep=st.booleans())
def test_one_spoilt_byte_never_moves_a_strip_to_another_patient(at: int, byte: int, keep: bool) -> None:
    """Whatever happens to one byte, no strip with its own number comes under another strip's patient.

    The three numbers, and the three patients, differ in more than one sign, so that no single byte turns one into another.

    HZ-F01.
    """
    payload = message(
        "P|1||40718823",
        order("N00111"),
        glucose(),
        "P|2||50829934",
        order("N00222"),
        glucose(),
        "P|3||60930045",
        order("N00333"),
        glucose(),
    )
    at = len(HEADER) + at % (len(payload) - len(HEADER))
    spoilt = payload[:at] + (bytes([byte]) if keep else b"") + payload[at + 1 :]
    own = {"N00111": "4071882", "N00222": "5082993", "N00333": "6093004"}
    for strip in read(spoilt, BARE):
        if isinstance(strip, Reading) and strip.number and strip.patient_id and strip.number.text in own:
            others = {patient for number, patient in own.items() if number != strip.number.text}
            assert strip.patient_id.text[:7] not in others


def test_a_new_header_ends_a_torn_message() -> None:
    """A message that begins before the last one ended tears that one only. HZ-F04."""
    payload = message("P|1||40718823", order("N00001"), glucose(), end="") + message("P|1||40718860", order("N00002"), glucose())
    assert [told(strip).get("number", told(strip).get("rule")) for strip in read(payload, BARE)] == ["read.torn", "N00002"]


@pytest.mark.parametrize(
    ("payload", "rules"),
    [
        (b"P|1||40718823\rO|1||N00001\rL|1|N\r", ["read.header"]),
        (b"H|||||\rP|1||40718823\r", ["read.header"]),
        (message("P|1||40718823"), ["read.layout"]),
        (message("P|1||40718823", "M|1|E03 LAMP"), ["read.layout"]),
        (message(glucose()), ["read.record"]),
        (message("Q|1|ALL"), ["read.record"]),
        (message("P|1||40718823", order("N00001"), "R|1||NEG"), ["read.record"]),
        (message("P|1||40718823", order("N00001"), "R|1|^^^GLUC"), ["read.record"]),
        (message("P|1||40718823", order("N00001"), "R|1|^^^GLUC|NEG|||||||07", "R|2|^^^PHVA|6.8|||||||08"), ["read.twice"]),
        (message("P|1||4071\x008823", order("N00001"), glucose()), ["read.control"]),
        (message("P|1||4071&X0D&8823", order("N00001"), glucose()), ["read.control"]),
        (message("P|1||4071é8823", order("N00001"), glucose()), ["read.undecodable"]),
        (message("P|1||4071&XE9&8823", order("N00001"), glucose()), ["read.undecodable"]),
        (message() + b"tail", ["read.header"]),
        (message(), ["read.empty"]),
    ],
)
def test_faults(payload: bytes, rules: list[str]) -> None:
    """Each kind of spoilt message ends as a reason that a technician can act on."""
    strips = read(payload, BARE)
    assert [strip.finding.rule for strip in strips if isinstance(strip, Unreadable)] == rules
    assert len(strips) == len(rules)


def test_a_fault_in_place_of_results() -> None:
    """An analyzer that could not read the strip says so in a maker's record."""
    (strip,) = read(message("P|1||40718823", order("N00001"), "M|1|x|E03 LAMP"), BARE)
    assert told(strip) == {"number": "N00001", "patient_id": "40718823", "strip_type": "S5", "fault": "E03 LAMP", "pads": []}


def test_hl7_and_html_in_a_patient_id_stay_text() -> None:
    """Separators that are escaped, and signs that mean something elsewhere, are the ID's text and nothing more. HZ-F11."""
    (strip,) = read(message("P|1||4071^8823&F&\\<script>&E&", order("N00001"), glucose()), BARE)
    assert told(strip)["patient_id"] == "4071^8823|\\<script>&"


def test_an_empty_value_is_a_value() -> None:
    """A result without a value stays a pad, so that the check can say that it is missing."""
    (strip,) = read(message(order("N00001"), glucose(1, "")), BARE)
    assert told(strip)["pads"] == [("GLUC", "", None, None)]


def test_unnumbered_records_by_profile() -> None:
    """An analyzer that does not count its records is read when its profile says so."""
    assert BARE.lis2 is not None
    payload = message("P|1||40718823", order("N00001", 7), glucose(0), glucose(0, "80"))
    assert told(read(payload, BARE)[0]) == {"rule": "read.record"}
    loose = replace(BARE, lis2=replace(BARE.lis2, numbered=False))
    assert told(read(payload, loose)[0])["pads"] == [("GLUC", "NEG", None, None), ("GLUC", "80", None, None)]


@pytest.mark.parametrize(
    "header", [b"H", b"H|", b"H|||||", b"H|\\^", b"H|\\^^|", b"Ha\\^&a", b"H|\\^&x", b"H |\\^&", b"H|\\^\x00|", b"HELLO"]
)
def test_headers_that_declare_nothing(header: bytes) -> None:
    """Separators must be four different signs: with two alike, no field is certain."""
    assert separators(header) is None


def test_headers_that_declare() -> None:
    """The usual separators, and others."""
    assert separators(b"H|\\^&|||x") == Separators(field=b"|", repeat=b"\\", component=b"^", escape=b"&")
    assert separators(b"H!~*$") == Separators(field=b"!", repeat=b"~", component=b"*", escape=b"$")


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"&F&&S&&R&&E&", b"|^\\&"),
        (b"&X414243&", b"ABC"),
        (b"&X4&", b"&X4&"),
        (b"&Q&", b"&Q&"),
        (b"a & b", b"a & b"),
        (b"&", b"&"),
        (b"&E&F&", b"&F&"),
    ],
)
def test_escapes(raw: bytes, text: bytes) -> None:
    """Escapes are undone once and never read again; what is none stays as printed (LIS02-A2, as in wire facts cited in lis2.py)."""
    assert Separators(field=b"|", repeat=b"\\", component=b"^", escape=b"&").unescape(raw) == text


@settings(max_examples=200, deadline=None)
@given(
    at=st.integers(0, 10_000),
    byte=st.integers(0x20, 0x7E).filter(lambda byte: byte not in b"|&"),
)
def test_a_spoilt_value_costs_no_neighbour(at: int, byte: int) -> None:
    """Change one byte behind a record's type and number in the middle strip: the others' readings are the same."""
    strips = [
        ("P|1||40718823", order("N00001"), glucose()),
        ("P|2||50829934", order("N00002"), glucose()),
        ("P|3||60930045", order("N00003"), glucose()),
    ]
    payload = message(*(record for strip in strips for record in strip))
    start, end = payload.index(b"P|2"), payload.index(b"P|3")
    places = [i for i in range(start, end) if payload[i] not in b"\r|" and i - payload.rindex(b"\r", 0, i) > 4]
    here = places[at % len(places)]
    before, after = read(payload, BARE), read(payload[:here] + bytes([byte]) + payload[here + 1 :], BARE)
    assert (content(after[0]), content(after[2])) == (content(before[0]), content(before[2]))
    assert len(after) == 3


@pytest.mark.parametrize(("field", "said"), [("P", "P"), ("T", "T"), ("D", "D"), ("Q", "Q"), ("", None), (None, None)])
def test_the_header_says_whether_its_strips_are_live(field: str | None, said: str | None) -> None:
    """LIS02-A2 header field 12, processing ID, from memory (production, training, debugging, quality control); left out, it says nothing."""
    header = "H|\\^&|||BROOK\r" if field is None else HEADER.replace("|P|", f"|{field}|")
    payload = message("P|1||40718823", order("N00012"), glucose()).replace(HEADER.encode(), header.encode())
    (strip,) = read(payload, BARE)
    assert isinstance(strip, Reading)
    assert (strip.processing_id.text if strip.processing_id else None) == said
    if strip.processing_id:
        start = strip.processing_id.place.start
        assert payload[start : start + 1].decode() == said


def test_a_record_of_a_test_is_no_copy_of_the_live_one() -> None:
    """Equal records under two headers are two: the live strip behind its test must go to the record."""
    live = message("P|1||40718823", order("N00012"), glucose())
    digests = [strip.record_digest for payload in (live, live.replace(b"|P|", b"|T|")) for strip in read(payload, BARE)]
    assert [type(digest) for digest in digests] == [str, str]
    assert len(set(digests)) == 2
