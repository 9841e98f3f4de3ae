"""The pictures of docs/: there, small, and of a width that a reader's screen takes."""

from __future__ import annotations

import struct

import pytest

from tests.browser.screenshots import LARGEST, PICTURES, ROOT


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_a_small_png(name: str) -> None:
    """PNG signature and header as the specification has them (W3C PNG, sections 5.2 and 11.2.1)."""
    picture = (ROOT / "docs" / name).read_bytes()
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", picture[16:24])
    assert width == 1120
    assert 600 < height < 2_400
    assert len(picture) < LARGEST
