"""What may stand on the hand-over list."""

from __future__ import annotations

import pytest

from bridge.bench.hand_over import LONGEST_NOTE, fault_of


@pytest.mark.parametrize("text", ["Run 41 again", "x" * LONGEST_NOTE, "Größe prüfen"])
def test_a_sentence_is_a_note(text: str) -> None:
    """Any script, up to the limit."""
    assert fault_of(text) == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [("", "Write what"), ("x" * (LONGEST_NOTE + 1), "at most 300"), ("a\nb", "printed"), ("a\u202eb", "printed")],
)
def test_what_is_no_note_is_said(text: str, said: str) -> None:
    """Nothing, too much, and signs that turn or hide what is read."""
    assert said in fault_of(text)
