"""A receiver's words: printable, each once, cut at a whole character."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.answers import LONGEST_TEXT, words


def test_each_word_comes_once_on_one_line() -> None:
    """Control characters and line ends are blanks; what is said twice is shown once; empty parts are left out."""
    assert words(["No such\tpatient\x00", "", "No such patient", "PID\r\n3"]) == "No such patient; PID 3"


@given(st.lists(st.text(max_size=2_000), max_size=5))
def test_any_words_are_printable_and_bounded(parts: list[str]) -> None:
    """They go to a page and into the database."""
    found = words(parts)
    assert found.isprintable()
    assert len(found.encode()) <= LONGEST_TEXT
