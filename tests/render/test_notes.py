"""Texts in notes come through Markdown as they are: asked of markdown-it-py, a CommonMark implementation, with GFM's extensions.

The expected escapes are CommonMark 0.31 section 2.4 and 6.7 (backslash escapes, hard line breaks).
"""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from bridge.render import wording
from bridge.render.notes import as_markdown, from_markdown

# "gfm-like" without its linkify, which needs a further library; links with a scheme or www. are shown as their own text either way
READERS = {
    "commonmark": MarkdownIt("commonmark"),
    "gfm": MarkdownIt("commonmark").enable(["table", "strikethrough"]),
}
MARKS = "\\`*_{}[]()#+-.!|<>&~=:@\"'/;^$ 019ax"
# What CommonMark does not carry: blanks at the ends of a line (section 4.8), and the code point 0 (section 2.3, no FHIR text either).
LINES = st.text(
    st.sampled_from(MARKS) | st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp", "Zs"]), min_size=1, max_size=30
)


def shown(reader: str, markdown: str) -> list[str]:
    """Give the text that a reader sees, line by line; anything but one plain paragraph fails."""
    opening, inline, closing = READERS[reader].parse(markdown)
    assert (opening.type, inline.type, closing.type) == ("paragraph_open", "inline", "paragraph_close"), markdown
    return "".join(_text(token) for token in inline.children or ()).split("\n")


def _text(token: Token) -> str:
    assert token.type in {"text", "text_special", "hardbreak", "softbreak"}, token
    return "\n" if token.type.endswith("break") else token.content


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (">=1000", r"\>=1000"),
        ("+-", r"\+-"),
        ("1+", "1+"),
        ("1.010", "1.010"),
        ("NEGATIVE", "NEGATIVE"),
        ("<1.005 & dark", "<1.005 & dark"),
        ("1. turbid", r"1\. turbid"),
        ("# dark *and* [turbid](http://x)", r"\# dark \*and\* \[turbid\](http\://x)"),
        ("<b>&amp;</b> a\\b", r"\<b>\&amp;\</b> a\\b"),
        ("one\n- two\r\n---", "one\\\n\\- two\\\r\n\\---"),
        ("", ""),
    ],
)
def test_only_what_markdown_would_take_is_escaped(text: str, expected: str) -> None:
    """A receiver that does not render sees the text as it is, or a backslash more."""
    assert as_markdown(text) == expected
    assert from_markdown(expected) == text


@pytest.mark.parametrize("text", [">=1000", "+-", "1.010", "<1.005", "#", "1. x", "- x"])
def test_behind_a_sentence_a_line_does_not_begin(text: str) -> None:
    """What an analyzer prints of a step is sent as it is."""
    assert as_markdown(text, after=wording.PRINTED) == wording.PRINTED + text


@settings(deadline=None)
@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("after", ["", wording.PRINTED])
@given(lines=st.lists(LINES.map(str.strip).filter(bool), min_size=1, max_size=3))
@example(lines=["a|b", "-|-"])
@example(lines=["a|b", ":-|:-"])
@example(lines=["title", "==="])
@example(lines=["[x]: y", "[x]"])
@example(lines=["~~~", "a", "~~~"])
@example(lines=["&copy;", "&#35;", "<!-- a -->"])
@example(lines=["![a](b)", "__a__", "``a``"])
@example(lines=["<1@b.c>", "<a:b>", "</a>", "<?a?>"])
@example(lines=["|a|", "|-|"])
def test_a_reader_sees_the_text_itself(reader: str, after: str, lines: list[str]) -> None:
    """CommonMark, and its tables and strikethrough of GFM: one paragraph, no markup, sign for sign."""
    text = "\n".join(lines)
    markdown = as_markdown(text, after=after)
    assert "\n".join(shown(reader, markdown)) == after + text
    assert from_markdown(markdown.removeprefix(after)) == text


@given(text=st.text())
def test_any_text_comes_back(text: str) -> None:
    """Whatever the text is, taking the backslashes away gives it again."""
    assert from_markdown(as_markdown(text)) == text


@pytest.mark.parametrize(
    "sentence", [wording.ANALYSIS_TIME_NOTE, wording.NO_TIME_NOTE, wording.PRINTED, "Analysis time: 2026-11-25T08:15:30+00:00"]
)
def test_our_own_sentences_need_no_escape(sentence: str) -> None:
    """They are sent as they stand."""
    assert as_markdown(sentence) == sentence
