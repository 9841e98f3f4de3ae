"""The way back from a byte of the text to the capture's byte."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Place
from bridge.wire.lis01 import ENQ, build_frame, unframe
from bridge.wire.text import Unframed, plain


def test_plain_text_is_its_own_payload() -> None:
    """Without framing a place in the text is the same place in the payload."""
    assert plain(b"abc").place(1, 3) == Place(start=1, end=3)
    assert plain(b"").place(0, 0) == Place(start=0, end=0)


def test_a_range_over_two_frames_spans_the_framing_between() -> None:
    """A value that is split over frames is shown with all the bytes that it took."""
    unframed = Unframed(b"abcdef", ((0, 2, 3), (3, 12, 3)))
    assert unframed.place(0, 3) == Place(start=2, end=5)
    assert unframed.place(3, 6) == Place(start=12, end=15)
    assert unframed.place(2, 4) == Place(start=4, end=13)
    assert unframed.place(4, 4) == Place(start=13, end=13)


def test_a_range_outside_the_text_is_refused() -> None:
    """A place that does not exist is a fault of ours, never a wrong highlight on a page."""
    with pytest.raises(ValueError, match="not inside a text of 3 bytes"):
        plain(b"abc").place(2, 4)


@given(st.lists(st.binary(min_size=1, max_size=20).map(lambda b: bytes(c | 0x20 for c in b)), min_size=1, max_size=12))
def test_every_byte_of_a_text_is_found_in_the_payload(texts: list[bytes]) -> None:
    """For every byte the place leads to that very byte: else a page would mark the wrong value."""
    payload = ENQ + b"".join(build_frame((number + 1) % 8, text, is_last=True) for number, text in enumerate(texts))
    unframed = unframe(payload)
    assert unframed.data == b"".join(texts)
    for at in range(len(unframed.data)):
        place = unframed.place(at, at + 1)
        assert payload[place.start : place.end] == unframed.data[at : at + 1]
