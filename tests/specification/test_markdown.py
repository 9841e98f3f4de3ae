"""The document as Markdown: every block, and no text that is taken for markup."""

from __future__ import annotations

import re

import pytest

from bridge.specification import Door, specify
from bridge.specification.document import LETTERS
from bridge.specification.markdown import as_markdown, plain
from bridge.specification.types import Sample
from tests.specification.subjects import bare, document, hostile


@pytest.mark.parametrize("door", Door)
def test_every_block_is_a_heading_in_order(door: Door) -> None:
    """In the full document and in the bare one."""
    for made in (document(door), bare(door)):
        assert "".join(re.findall(r"^## ([A-P])\. ", as_markdown(made), re.MULTILINE)) == LETTERS


def test_every_row_of_a_table_has_its_columns() -> None:
    """An unescaped | would move a value under another heading (GitHub Flavored Markdown, tables)."""
    for made in (document(), document(Door.FHIR), specify(hostile())):
        width = 0
        for line in as_markdown(made).splitlines():
            cells = len(re.findall(r"(?<!\\)(?:\\\\)*\|", line)) - 1 if line.startswith("| ") else 0
            if line.startswith("| ") and width:
                assert cells == width, line
            width = cells if line.startswith("| ") else 0


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("<script>", "\\<script\\>"),
        ("a|b", "a\\|b"),
        ("[x](y)", "\\[x\\](y)"),
        ("*a* _b_ `c`", "\\*a\\* \\_b\\_ \\`c\\`"),
        ("# x", "\\# x"),
        ("1. x", "1\\. x"),
        ("- x", "\\- x"),
        ("2026-11-25", "2026-11-25"),
        ("&amp; \\", "\\&amp; \\\\"),
        ("a\nb", "a b"),
        ("http://x www.x a@b", "http\\://x www\\.x a\\@b"),
        ("\u202ea", "(U+202E)a"),
    ],
)
def test_text_stays_text(text: str, written: str) -> None:
    """CommonMark 0.31: 2.4 backslash escapes, 4.2 headings, 5.2 list items; links and mentions as GitHub makes them."""
    assert plain(text) == written


def test_a_sample_stands_in_a_fence_as_it_is() -> None:
    """Byte for byte in its lines; the fence is longer than any run of backticks in it."""
    made = document()
    text = as_markdown(made)
    samples = [part.message for block in made.blocks for part in block.parts if isinstance(part, Sample) and part.message]
    assert len(samples) == 14
    assert all(f"\n```text\n{message}\n```\n" in text for message in samples)


def test_what_lacks_is_told_first_and_in_its_block() -> None:
    """Nobody goes live on an unfinished document by not reading to the end."""
    text = as_markdown(bare())
    assert text.index("**Not ready for go-live.**") < text.index("## A.")
    assert "**Not set: what was agreed on controls (agreement.controls). Settle this before go-live.**" in text
    assert "Not ready" not in as_markdown(document())


def test_a_record_has_room_to_write() -> None:
    """Three slots a row."""
    line = next(line for line in as_markdown(document()).splitlines() if line.startswith("| Known patient "))
    assert line.count("\\_" * 8) == 3
