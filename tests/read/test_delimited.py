"""Delimited text: exact readings, quotes, and what a bad row costs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.model import Reading, Unreadable
from bridge.tables.types import DelimitedLayout
from tests.read.captures import content, fixture, printed, profile, read, told

TERN = profile("tern")
CONTROL = {
    "printed_date": "25.11.2026",
    "printed_time": "08:02",
    "number": "1",
    "purpose": "Controlo",
    "operator": "3",
    "strip_type": "Doze",
    "strip_lot": "31P04",
    "pads": [
        ("Cálcio", "2,5", None, None),
        ("Glicose", "6,1", None, None),
        ("Sangue", "40", None, None),
        ("Vit. C", "<=5", None, None),
        ("Urobil.", "34", None, None),
        ("Leucócitos", "65", None, None),
        ("Densidade", "1,014", None, None),
        ("Bilirr.", "21", None, None),
        ("Proteínas", "0,36", None, None),
        ("Nitritos", "Positivo", None, None),
        ("Cetonas", "1,8", None, None),
        ("pH", "6,6", None, None),
    ],
}
COPY = {
    "printed_date": "25.11.2026",
    "printed_time": "08:12",
    "number": "3",
    "purpose": "Urgente",
    "patient_id": "40718860",
    "operator": "3",
    "strip_type": "Renal",
    "strip_lot": "31R02",
    "copy_mark": "2.ª via",
    "pads": [("Creatin.", "60", None, None), ("Albumina", "35", None, None)],
}
COLUMNS = {"number": 0, "patient_id": 1, "pad:G": 2, "unit:G": 3, "mark:G": 4, "comment": 5}
SMALL = replace(profile("brook-file"), delimited=DelimitedLayout(delimiter=",", quote="'", header=(), columns=COLUMNS, width=6))


def test_bad_rows_cost_no_neighbour() -> None:
    """A row with a cell too many, a byte that is no text and a cut last row are told; the others are read. HZ-D16, HZ-F10."""
    payload = fixture("tern_bad_rows.csv")
    strips = read(payload, TERN)
    assert [told(strip) for strip in strips] == [
        CONTROL,
        {"rule": "read.layout"},
        {"rule": "read.undecodable"},
        COPY,
        {"rule": "read.torn"},
    ]
    wide, bytes_, *_ = [strip for strip in strips if isinstance(strip, Unreadable)]
    assert wide.finding.sentence == "The line has 26 cells where this analyzer writes 25."
    assert wide.finding.remedy == "Export the strip again with the analyzer's columns as the profile names them."
    assert bytes_.finding.sentence == "A byte in this record is not text in the character set cp1252 (81)."
    assert bytes_.finding.place is not None
    assert payload[bytes_.finding.place.start : bytes_.finding.place.end] == b"\x81"


def test_places_lead_back_to_the_bytes() -> None:
    """Every value stands at its place in the file, in the file's own character set."""
    payload = fixture("tern_bad_rows.csv")
    for strip in read(payload, TERN):
        if isinstance(strip, Reading):
            labels = {pad.label.text for pad in strip.pads}
            for value in printed(strip):
                raw = payload[value.place.start : value.place.end].decode("cp1252")
                assert raw == value.text or value.text in labels


def test_no_header() -> None:
    """Without the header no column is certain: one reason for the whole file, and not one value is taken from it. HZ-D16."""
    payload = fixture("tern_no_header.csv")
    (strip,) = read(payload, TERN)
    assert isinstance(strip, Unreadable)
    assert strip.finding.rule == "read.header"
    assert (strip.place.start, strip.place.end) == (0, len(payload))


def test_a_header_with_swapped_columns_is_another_header() -> None:
    """Two names changed places: reading by position would put one pad's value under another. HZ-C06, HZ-D16."""
    payload = TERN.example.payload.replace(b"Nitritos;Cetonas", b"Cetonas;Nitritos")
    assert [told(strip) for strip in read(payload, TERN)] == [{"rule": "read.header"}]


def test_two_files_in_one() -> None:
    """A header in the middle is a header again, not a bad row."""
    payload = TERN.example.payload
    once, twice = read(payload, TERN), read(payload + payload, TERN)
    assert [told(strip) for strip in twice] == [told(strip) for strip in (*once, *once)]
    assert [strip.index for strip in twice] == [0, 1, 2, 3, 4, 5]


def test_byte_order_mark() -> None:
    """The signature that some programs write before UTF-8 text is no part of the first cell."""
    utf = replace(SMALL, charset="utf-8")
    strips = read("\ufeff1,ä,NEG,,,\r\n".encode(), utf)
    assert told(strips[0]) == {"number": "1", "patient_id": "ä", "pads": [("G", "NEG", None, None)]}
    assert strips[0].place.start == 3


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("1,40718823,60,mg,*,", {"number": "1", "patient_id": "40718823", "pads": [("G", "60", "mg", "*")]}),
        ("1, 40718823 , NEG ,,,", {"number": "1", "patient_id": "40718823", "pads": [("G", "NEG", None, None)]}),
        ("1,'4,7',NEG,,,'it''s'", {"number": "1", "patient_id": "4,7", "comments": ["it's"], "pads": [("G", "NEG", None, None)]}),
        ("1,'',NEG,,,''", {"number": "1", "pads": [("G", "NEG", None, None)]}),
        ("1,a'b,NEG,,,", {"number": "1", "patient_id": "a'b", "pads": [("G", "NEG", None, None)]}),
        ("1,x|y^<b>&\\,NEG,,,", {"number": "1", "patient_id": "x|y^<b>&\\", "pads": [("G", "NEG", None, None)]}),
        ("1,x,,mg,*,", {"number": "1", "patient_id": "x", "pads": []}),
        (",,,,,", {"pads": []}),
        ("1,'open,NEG,,,", {"rule": "read.layout"}),
        ("1,'a'b,NEG,,,", {"rule": "read.layout"}),
        ("1,x,NEG,,", {"rule": "read.layout"}),
        ("1,x,NEG,,,,", {"rule": "read.layout"}),
        ("1,x\x00,NEG,,,", {"rule": "read.control"}),
        ("1,x\ty,NEG,,,", {"rule": "read.control"}),
        ("1,\x7f,NEG,,,", {"rule": "read.control"}),
    ],
)
def test_rows(line: str, said: dict[str, object]) -> None:
    """Quotes, blanks and foreign signs are read as the cell's text; what does not fit is told."""
    assert [told(strip) for strip in read(f"{line}\r\n".encode(), SMALL)] == [said]


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n", "\n\n", "\r\n  \r\n"])
def test_any_line_end(end: str) -> None:
    """Rows end as the program writes them; blank lines say nothing."""
    strips = read(f"1,a,NEG,,,{end}2,b,60,,,{end}".encode(), SMALL)
    assert [told(strip)["number"] for strip in strips] == ["1", "2"]


def test_the_last_row_needs_its_line_end() -> None:
    """A cut row may have the right number of cells and half a value: 10 where 100 was meant. HZ-F04."""
    assert [told(strip).get("rule") for strip in read(b"1,a,NEG,,,\r\n2,b,60,,,", SMALL)] == [None, "read.torn"]


@settings(max_examples=200, deadline=None)
@given(junk=st.binary(max_size=60).filter(lambda junk: not set(junk) & set(b"\r\n")))
def test_a_spoilt_row_costs_no_neighbour(junk: bytes) -> None:
    """Whatever stands in the middle row, the rows around it read the same."""
    before = read(b"1,a,NEG,,,\r\n2,b,60,,,\r\n3,c,120,,,\r\n", SMALL)
    after = read(b"1,a,NEG,,,\r\n" + junk + b"\r\n3,c,120,,,\r\n", SMALL)
    assert (content(after[0]), content(after[-1])) == (content(before[0]), content(before[2]))


def pads_of(payload: bytes) -> list[tuple[str, str, int, int]]:
    (reading,) = read(payload, SMALL)
    assert isinstance(reading, Reading)
    return [
        (pad.value.text, pad.unit.text if pad.unit else "", pad.value.place.start, pad.value.place.end) for pad in reading.pads
    ]


def test_a_pad_that_was_read_before_keeps_its_own_text_and_place() -> None:
    """The same text in the same place, another text there, the same text elsewhere, and the same place in quotes: each is told as it stands."""
    assert pads_of(b"1,A,2+,mg,,\n") == [("2+", "mg", 4, 6)]
    assert pads_of(b"2,B,2+,mg,,\n") == [("2+", "mg", 4, 6)]
    assert pads_of(b"3,B,3+,mg,,\n") == [("3+", "mg", 4, 6)]
    assert pads_of(b"3,B,2+,mL,,\n") == [("2+", "mL", 4, 6)]
    assert pads_of(b"10,A,2+,mg,,\n") == [("2+", "mg", 5, 7)]
    assert pads_of(b"1,A,'2+',mg,,\n") == [("2+", "mg", 5, 7)]


def test_a_pad_far_from_the_beginning_is_read_like_one_at_it() -> None:
    first = b"1,A,2+,mg,," + b"x" * 1_500 + b"\n"
    readings = [each for each in read(first + b"2,A,2+,mg,,\n", SMALL) if isinstance(each, Reading)]
    assert [(pad.value.text, pad.value.place.start) for each in readings for pad in each.pads] == [
        ("2+", 4),
        ("2+", len(first) + 4),
    ]
