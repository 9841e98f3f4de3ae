"""The text of a capture: lines, values, places."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import RejectError
from bridge.model import Place, Printed
from bridge.read.sheet import Sheet, Strip
from bridge.wire.text import Unframed, plain

CHARSETS = ("ascii", "latin-1", "cp1252", "cp437", "cp850", "utf-8", "iso8859-15")


@given(st.binary(max_size=200), st.booleans())
def test_lines_are_the_whole_text(data: bytes, pages: bool) -> None:
    """Line after line is the text, each ended by one line end at most, none of it inside."""
    lines = list(Sheet(plain(data), "latin-1").lines(pages=pages))
    assert b"".join(data[line.start : line.stop] for line in lines) == data
    for line in lines:
        assert data[line.end : line.stop] in {b"", b"\r", b"\n", b"\r\n", b"\f"}
        assert not set(data[line.start : line.end]) & set(b"\r\n\f" if pages else b"\r\n")


def test_a_value_is_stripped_and_placed() -> None:
    """Outer blanks and tabs are no part of the value; its place is without them."""
    sheet = Sheet(plain(b"ab \t c d \t"), "ascii")
    assert sheet.printed(2, 10) == Printed(text="c d", place=Place(start=5, end=8))
    assert sheet.printed(2, 4) == Printed(text="", place=Place(start=4, end=4))


def test_a_place_in_frames_is_the_captures() -> None:
    """Behind frames, a place is the capture's own byte range."""
    sheet = Sheet(Unframed(b"abcdef", ((0, 10, 3), (3, 20, 3))), "ascii")
    assert sheet.printed(2, 4).place == Place(start=12, end=21)


@pytest.mark.parametrize(
    ("charset", "data", "rule", "at"),
    [
        ("ascii", b"ab\xe9", "read.undecodable", 2),
        ("cp1252", b"a\x81b", "read.undecodable", 1),
        ("utf-8", "ü".encode() + b"\xff", "read.undecodable", 2),
        ("utf-8", "ü\x00".encode(), "read.control", 2),
        ("latin-1", b"a\x85", "read.control", 1),
        ("ascii", b"\x1b[0m", "read.control", 0),
        ("cp437", b"\xe1\x07", "read.control", 1),
    ],
)
def test_bad_bytes_are_named(charset: str, data: bytes, rule: str, at: int) -> None:
    """The first byte that is no text is named with its place; the character set is never guessed. HZ-F10."""
    with pytest.raises(RejectError) as caught:
        Sheet(plain(data), charset).text(0, len(data))
    assert (caught.value.rule, caught.value.start) == (rule, at)
    assert f"{data[at]:02X}" in caught.value.sentence


@pytest.mark.parametrize("charset", CHARSETS)
def test_every_charset_gives_its_own_text(charset: str) -> None:
    """Each declared character set decodes its own bytes, checked against Python's codec for one sign that they differ in. HZ-F10."""
    sign = {"ascii": "e", "cp437": "ß", "cp850": "Ø", "iso8859-15": "€"}.get(charset, "é")
    assert Sheet(plain(sign.encode(charset)), charset).printed(0, len(sign.encode(charset))).text == sign


def test_tabs_part_records_but_never_stand_in_a_value() -> None:
    """A tab is allowed between values only: inside one it would reach a message."""
    sheet = Sheet(plain(b"a\tb"), "ascii")
    assert sheet.text(0, 3) == "a\tb"
    with pytest.raises(RejectError, match=r"read\.control"):
        sheet.printed(0, 3)


def test_a_strip_keeps_one_value_a_field() -> None:
    """The same value twice is one; an empty one says nothing; another one is refused with its place."""
    strip = Strip(0, 1, b"")
    strip.put("operator", Printed(text="07", place=Place(start=1, end=3)))
    strip.put("operator", Printed(text="07", place=Place(start=5, end=7)))
    strip.put("operator", Printed(text="", place=Place(start=8, end=8)))
    assert strip.fields == {"operator": Printed(text="07", place=Place(start=1, end=3))}
    with pytest.raises(RejectError) as caught:
        strip.put("operator", Printed(text="08", place=Place(start=9, end=11)))
    assert (caught.value.rule, caught.value.start, caught.value.end) == ("read.twice", 9, 11)
    strip.put("comment", Printed(text="x", place=Place(start=0, end=1)))
    strip.put("comment", Printed(text="y", place=Place(start=0, end=1)))
    assert [comment.text for comment in strip.comments] == ["x", "y"]
