"""Whole captures: nothing that arrives raises, and every byte is accounted for."""

from __future__ import annotations

import hashlib
import re
import time

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.model import Place, Reading, Severity, Unreadable
from bridge.read.capture import MOST_FAULTS, cut
from bridge.read.sheet import Broken, Envelope, Sheet, Strip
from bridge.tables.types import Framing
from bridge.wire.lis01 import unframe
from bridge.wire.text import plain
from tests.read.captures import NAMES, Strips, content, printed, profile, read, told

CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f]")


def sound(payload: bytes, strips: Strips) -> None:
    """Assert what holds for any capture: a result, counted, placed inside it, and no control sign in a value."""
    assert [strip.index for strip in strips] == list(range(len(strips)))
    assert strips
    for strip in strips:
        assert 0 <= strip.place.start <= strip.place.end <= len(payload)
        assert len(strip.record_digest) == 64
        if isinstance(strip, Reading):
            for value in printed(strip):
                assert (
                    strip.place.start <= value.place.start <= value.place.end <= len(payload)
                    or value.place.end <= strip.place.start
                )
                assert not CONTROLS.search(value.text)
                assert value.text == value.text.strip(" \t")
        else:
            assert strip.finding.severity is Severity.REJECT
            assert strip.finding.rule.startswith("read.")
            assert strip.finding.sentence.endswith((".", ")."))
            assert strip.finding.remedy.endswith(".")
            assert not strip.finding.releasable


def tiled(payload: bytes, name: str, *, framed: bool = True) -> None:
    """Assert that the pieces are the whole text, in order, and that what is in no strip and no fault is of no strip."""
    made = profile(name, framed=framed)
    unframed = unframe(payload) if made.framing is Framing.LIS01 else plain(payload)
    sheet = Sheet(unframed, made.charset)
    at = 0
    for piece in cut(sheet, made, torn=False):
        assert (piece.start, piece.end > piece.start) == (at, True)
        at = piece.end
        if isinstance(piece, Envelope):
            text = unframed.data[piece.start : piece.end].decode("latin-1")
            assert allowed(text, name), text
    assert at == len(unframed.data)


def allowed(text: str, name: str) -> bool:
    """Say whether an envelope's text may belong to no strip: blank, a header, a terminator, a printed rule."""
    made = profile(name)
    # a no-break space is blank too: 0xFF in code page 850 (found by test_any_bytes)
    if not text.encode("latin-1").decode(made.charset, "replace").strip() or text == "\xef\xbb\xbf":
        return True
    if made.lis2 is not None:
        return text[:1] in {"H", "L", "C"}
    if made.slip is not None:
        return re.fullmatch(made.slip.ignore, text.strip()) is not None
    if made.delimited is None:
        return False
    # blanks around a cell are no part of it, in the header as in a strip (found by test_a_damaged_capture)
    cells = text.encode("latin-1").decode(made.charset).strip("\r\n").split(made.delimited.delimiter)
    return tuple(cell.strip(" \t") for cell in cells) == made.delimited.header


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=150, deadline=None)
@given(payload=st.binary(max_size=300), torn=st.booleans())
@example(payload=b"\xff", torn=False)
def test_any_bytes(name: str, payload: bytes, torn: bool) -> None:
    """Noise of any kind is told as unreadable, never raised. HZ-F01."""
    sound(payload, read(payload, profile(name), torn=torn))
    tiled(payload, name)


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=150, deadline=None)
@example(edits=[(140, 0, b" ")], torn=False)
@given(
    edits=st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 3), st.binary(max_size=4)), min_size=1, max_size=6),
    torn=st.booleans(),
)
def test_a_damaged_capture(name: str, edits: list[tuple[int, int, bytes]], torn: bool) -> None:
    """A real capture with bytes lost, doubled or changed is told piece by piece, never raised, and no byte is passed over. HZ-F01."""
    payload = profile(name).example.payload
    for at, lost, added in edits:
        here = at % (len(payload) + 1)
        payload = payload[:here] + added + payload[here + lost :]
    sound(payload, read(payload, profile(name), torn=torn))
    tiled(payload, name)


@pytest.mark.parametrize("name", ["brook", "fjord"])
@settings(max_examples=150, deadline=None)
@given(edits=st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 3), st.binary(max_size=4)), min_size=1, max_size=6))
def test_a_damaged_message_without_frames(name: str, edits: list[tuple[int, int, bytes]]) -> None:
    """The same behind no checksum: the reader alone must cope."""
    made = profile(name, framed=False)
    payload = unframe(profile(name).example.payload).data
    for at, lost, added in edits:
        here = at % (len(payload) + 1)
        payload = payload[:here] + added + payload[here + lost :]
    sound(payload, read(payload, made))
    tiled(payload, name, framed=False)


@pytest.mark.parametrize("name", NAMES)
def test_every_cut(name: str) -> None:
    """A capture cut at any byte never gives a reading that the whole one would not give. HZ-D04."""
    payload = profile(name).example.payload
    whole = {str(content(strip)) for strip in read(payload, profile(name)) if isinstance(strip, Reading)}
    for end in range(len(payload)):
        for strip in read(payload[:end], profile(name), torn=True):
            if isinstance(strip, Reading):
                assert str(content(strip)) in whole


@pytest.mark.parametrize("name", NAMES)
def test_nothing(name: str) -> None:
    """An empty capture is a row of its own, since somebody sent it."""
    (strip,) = read(b"", profile(name))
    assert isinstance(strip, Unreadable)
    assert (strip.finding.rule, strip.place) == ("read.empty", Place(start=0, end=0))
    assert strip.record_digest == hashlib.sha256(b"").hexdigest()


@pytest.mark.parametrize(
    ("payload", "torn", "rule"),
    [
        (b"", True, "read.torn"),
        (b"\x05", True, "read.torn"),
        (b"\x05\x04", False, "read.frame"),
        (b"\x05\x021H|bad\x0300\r\n\x04", False, "read.frame"),
    ],
)
def test_no_whole_frame(payload: bytes, torn: bool, rule: str) -> None:
    """A transmission without one good frame says so. HZ-F02."""
    assert [told(strip) for strip in read(payload, profile("brook"), torn=torn)] == [{"rule": rule}]


@pytest.mark.parametrize("payload", [b"\r\n\r\n", b"\f", b"  \r\n"])
def test_blank_captures(payload: bytes) -> None:
    """Paper feed alone is no strip."""
    for name in ("alder", "moss", "brook-file"):
        rule = "read.empty" if name != "brook-file" or payload != b"\f" else "read.header"
        assert [told(strip) for strip in read(payload, profile(name))] == [{"rule": rule}]


def test_many_bad_rows_become_one() -> None:
    """A wrong file gives a bounded number of rows, and good strips in it are still read."""
    header = profile("tern").example.payload.split(b"\r\n")[0] + b"\r\n"
    good = profile("tern").example.payload.split(b"\r\n")[1] + b"\r\n"
    payload = header + b"bad;row\r\n" * 1_000 + good + b"bad;row\r\n" * 500 + good
    strips = read(payload, profile("tern"))
    assert len(strips) == MOST_FAULTS + 4
    assert [told(strip).get("rule") for strip in strips[MOST_FAULTS - 1 :]] == [
        "read.layout",
        "read.many",
        None,
        "read.many",
        None,
    ]
    tail = strips[MOST_FAULTS]
    assert isinstance(tail, Unreadable)
    assert tail.place == Place(start=len(header) + 9 * MOST_FAULTS, end=len(header) + 9_000)


HOSTILE = {
    "no line end": b"A" * 10_000_000,
    "blank lines": b"\r\n" * 1_000_000,
    "short lines": b"BIL ! 1+ 1 mg\r\n" * 700_000,
    "separators": b"|;\t^&" * 2_000_000,
    "quotes": b'"' * 10_000_000,
    "frames": (b"\x05\x021" + b"x" * 60 + b"\x03") * 150_000,
    "zeros": bytes(10_000_000),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", sorted(HOSTILE))
def test_ten_megabytes_of_garbage(name: str, kind: str) -> None:
    """Megabytes of anything (ten, blank lines two) end as a bounded number of rows in seconds: reading is linear."""
    begun = time.perf_counter()
    strips = read(HOSTILE[kind], profile(name))
    assert time.perf_counter() - begun < 60
    assert len(strips) <= MOST_FAULTS + 2
    assert all(isinstance(strip, Unreadable) for strip in strips)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["alder", "moss", "tern", "brook-file"])
def test_garbage_after_a_good_beginning(name: str) -> None:
    """A long tail of rubbish behind a real strip costs that strip nothing where its end is certain, and stay linear where it is open."""
    payload = profile(name).example.payload
    begun = time.perf_counter()
    strips = read(payload + b"x;y\tz\r\n" * 200_000, profile(name))
    assert time.perf_counter() - begun < 60
    assert content(strips[0]) == content(read(payload, profile(name))[0])
    assert len(strips) <= MOST_FAULTS + 8


def test_a_piece_is_one_of_three() -> None:
    """Envelope, broken or strip: nothing else comes out of a reader."""
    made = profile("alder")
    kinds = {type(piece) for piece in cut(Sheet(plain(made.example.payload + b"stray\r\n"), made.charset), made, torn=False)}
    assert kinds == {Envelope, Broken, Strip}
