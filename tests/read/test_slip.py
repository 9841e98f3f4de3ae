"""Printed slips: exact readings, and what a spoilt slip costs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.model import Reading, Unreadable
from bridge.read.slip import LONGEST_LINE
from tests.read.captures import content, fixture, printed, profile, read, told

ALDER, MOSS = profile("alder"), profile("moss")
WHOLE = {
    "number": "0017",
    "purpose": "URGENT",
    "printed_date": "25/11/2026",
    "printed_time": "08:41",
    "patient_id": "40718823",
    "operator": "07",
    "strip_type": "L9",
    "strip_lot": "44L10",
    "pads": [
        ("BIL", "neg", None, None),
        ("BLD", "1+ 0.08", "mg/dL", "!"),
        ("GLU", "3+ 450", "mg/dL", "!"),
        ("URO", "norm 0.8", "mg/dL", None),
        ("NIT", "neg", None, None),
        ("LEU", "2+ 85", "/uL", "!"),
        ("KET", "neg", None, None),
        ("PH", "6.2", None, None),
        ("PRO", "trace 16", "mg/dL", "!"),
    ],
}
FAULTY = {
    "number": "0019",
    "printed_date": "25/11/2026",
    "printed_time": "08:44",
    "patient_id": "<i>a|b^c</i>",
    "operator": "07",
    "strip_type": "S5",
    "strip_lot": "44S02",
    "fault": "ERROR 12 strip crooked",
    "pads": [],
}
FIRST, SECOND = ALDER.example.payload.split(b"\f")[:2]


def test_slips_of_a_printer_port() -> None:
    """A stray line, a slip without its end, foreign signs and a NUL: each is told, and the whole slips are read."""
    payload = fixture("alder_slips.prn")
    strips = read(payload, ALDER)
    assert [told(strip) for strip in strips] == [
        WHOLE,
        {"rule": "read.layout"},
        {"rule": "read.torn"},
        FAULTY,
        {"rule": "read.control"},
    ]
    nul = strips[4]
    assert isinstance(nul, Unreadable)
    assert nul.finding.place is not None
    assert payload[nul.finding.place.start : nul.finding.place.end] == b"\x00"
    assert nul.finding.sentence == "A byte in this record has no place in a text (00)."


def test_slips_without_date() -> None:
    """German words in cp850; the second slip is cut before its last line end."""
    payload = fixture("moss_slips.prn")
    first, second = read(payload, MOSS)
    assert told(first) == {
        "number": "014p",
        "patient_id": "40718823",
        "operator": "2",
        "pads": [
            ("Ketone", "nichts", None, None),
            ("Eiweiß", "Spur", None, "<--"),
            ("Nitrit", "ja", None, "<--"),
            ("Dichte", "1,016", None, None),
            ("Urobil.", "wie üblich", None, None),
            ("Zucker", "nichts", None, None),
            ("Leuko", "mäßig", None, "<--"),
            ("Säure", "6,4", None, None),
            ("Blut", "nichts", None, None),
            ("Bilir.", "nichts", None, None),
        ],
    }
    assert told(second) == {"rule": "read.torn"}


@pytest.mark.parametrize("name", ["alder", "moss"])
def test_places_lead_back_to_the_bytes(name: str) -> None:
    """Every value stands at its place in the capture, in the printer's own character set."""
    made = profile(name)
    for strip in read(made.example.payload, made):
        assert isinstance(strip, Reading)
        for value in printed(strip):
            assert made.example.payload[value.place.start : value.place.end].decode(made.charset) == value.text


def test_places_count_bytes_not_characters() -> None:
    """In UTF-8 a character may be several bytes: a place after one still begins at the right byte."""
    utf = replace(MOSS, charset="utf-8")
    payload = MOSS.example.payload.decode("cp850").replace("40718823", "Ä4071\u20ac8823").encode()
    (strip,) = read(payload, utf)
    assert isinstance(strip, Reading)
    assert told(strip)["pads"] == told(read(MOSS.example.payload, MOSS)[0])["pads"]
    for value in printed(strip):
        assert payload[value.place.start : value.place.end].decode() == value.text


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        (b"No. 0017  URGENT\r\n", b"", "read.layout"),
        (b"25/11/2026  08:41\r\n", b"", "read.layout"),
        (b"NIT   neg", b"NIT neg", "read.layout"),
        (b"NIT   neg", b"nit   neg", "read.layout"),
        (b"NIT   neg", b"NIT   neg\r\nfree words", "read.layout"),
        (b"NIT   neg", b"NIT   neg\r\nNo. 0018", "read.twice"),
        (b"NIT   neg", b"NIT   neg\r\nPatient 40718860", "read.twice"),
        (b"NIT   neg", b"NIT   neg" + b" " * LONGEST_LINE, "read.layout"),
        (b"NIT   neg", b"NIT \x1b neg", "read.control"),
        (b"end of slip", b"end of", "read.layout"),
    ],
)
def test_faults(old: bytes, new: bytes, rule: str) -> None:
    """A line that the profile does not know, or lacks, stops its slip alone. HZ-D16, HZ-K03."""
    assert FIRST.count(old) == 1
    strips = read(FIRST.replace(old, new) + b"\f" + SECOND, ALDER)
    assert [told(strip).get("rule") for strip in strips] == ([rule, None] if new != b"end of" else ["read.torn", None])


def test_free_signs_between_slips_change_nothing() -> None:
    """Blank lines, form feeds and rules between slips belong to no strip."""
    payload = b"\r\n\f\r\n" + FIRST + b"\r\n\r\n----------\r\n" + SECOND + b"\f\f"
    assert [content(strip) for strip in read(payload, ALDER)] == [content(strip) for strip in read(ALDER.example.payload, ALDER)]


def test_the_end_line_needs_no_line_end() -> None:
    """A slip whose last line is complete is whole, though the cutter took the line end."""
    assert told(read(FIRST.rstrip(), ALDER)[0]) == WHOLE


def test_a_form_feed_ends_a_slip_without_last_line() -> None:
    """Where a slip has no last line of its own, the page ends it: a spoilt beginning of the next costs this one nothing."""
    payload = MOSS.example.payload
    spoilt = payload + payload.replace(b"MOSS", b"M?SS").replace(b"014p", b"015p")
    assert [told(strip).get("rule") for strip in read(spoilt, MOSS)] == [None, "read.layout"]
    assert content(read(spoilt, MOSS)[0]) == content(read(payload, MOSS)[0])


def test_a_lost_beginning_never_mixes_two_slips() -> None:
    """Without the form feed and the next slip's first line, two strips stand in one slip: it is stopped, not mixed. HZ-F04."""
    payload = MOSS.example.payload.rstrip(b"\f")
    second = payload.replace(b"MOSS Harnstreifen\r\n", b"").replace(b"014p", b"015p")
    assert [told(strip) for strip in read(payload + second, MOSS)] == [{"rule": "read.twice"}]


def test_torn_stream() -> None:
    """A slip without last line that the source calls torn is not whole."""
    whole = MOSS.example.payload.rstrip(b"\f")
    assert [told(strip).get("rule") for strip in read(whole, MOSS)] == [None]
    assert [told(strip).get("rule") for strip in read(whole, MOSS, torn=True)] == ["read.torn"]


@settings(max_examples=200, deadline=None)
@given(at=st.integers(0, 10_000), byte=st.integers(0, 255).filter(lambda byte: byte not in b"\r\n\f"))
def test_a_spoilt_byte_costs_no_neighbour(at: int, byte: int) -> None:
    """Change one byte inside the middle slip: the slips around it read the same."""
    third = FIRST.replace(b"0017", b"0020")
    payload = FIRST + b"\f" + SECOND + b"\f" + third
    places = [i for i in range(len(FIRST) + 1, len(FIRST) + 1 + len(SECOND)) if payload[i] not in b"\r\n\f"]
    here = places[at % len(places)]
    before = read(payload, ALDER)
    after = read(payload[:here] + bytes([byte]) + payload[here + 1 :], ALDER)
    assert (content(after[0]), content(after[-1])) == (content(before[0]), content(before[2]))
