"""The pictures of docs/: there, small, of the pages as they are now, and told to who cannot see them."""

from __future__ import annotations

import io
import re
import struct
from pathlib import Path

import pytest
from PIL import Image, ImageChops, ImageStat
from playwright.sync_api import Browser

from tests.browser.pictured import LARGEST, PICTURES, WIDTH
from tests.browser.screenshots import OF_DEMO, ROOT, tab_of

pytestmark = pytest.mark.browser
ALIKE = 4.5  # ours: of 255, the mean over an image of 56 by 60; other figures and times make one under 1, another page one of 6


@pytest.mark.parametrize("name", [*OF_DEMO, *PICTURES])
def test_a_picture_is_a_small_png(name: str) -> None:
    """PNG signature and header as the specification has them (W3C PNG, sections 5.2 and 11.2.1)."""
    picture = (ROOT / "docs" / name).read_bytes()
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", picture[16:24])
    assert width == WIDTH
    assert 600 <= height < 4_000
    assert len(picture) < LARGEST


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_of_the_page_as_it_is_now(name: str, tmp_path: Path, browser: Browser) -> None:
    """Taken again in this run, by the same hand: as high, and from three steps away the same. If not: python -m tests.browser.screenshots."""
    now = Image.open(io.BytesIO(PICTURES[name].take(tab_of(browser), tmp_path)))
    assert _is_alike(now, Image.open(ROOT / "docs" / name))


def _is_alike(one: Image.Image, other: Image.Image) -> bool:
    small = [each.convert("L").resize((56, 60), Image.Resampling.BOX) for each in (one, other)]
    difference: float = ImageStat.Stat(ImageChops.difference(*small)).mean[0]
    print(one.size, other.size, difference)
    return abs(one.height - other.height) < 0.08 * other.height and difference < ALIKE


def test_another_page_is_not_alike() -> None:
    """The measure tells pages apart: no two pictures of docs/ pass for each other."""
    shown = {name: Image.open(ROOT / "docs" / name) for name in PICTURES}
    assert [(a, b) for a in shown for b in shown if a < b and _is_alike(shown[a], shown[b])] == []


@pytest.mark.parametrize("name", [*OF_DEMO, *PICTURES])
def test_a_picture_stands_on_its_page_in_words_too(name: str) -> None:
    """Who cannot see it is told what it shows (WCAG 2.2, 1.1.1)."""
    page, place = (f"docs/{PICTURES[name].page}", name) if name in PICTURES else ("README.md", f"docs/{name}")
    (words,) = re.findall(rf"!\[([^\]]*)\]\({place}\)", (ROOT / page).read_text(encoding="utf-8"))
    assert len(words) > 60
