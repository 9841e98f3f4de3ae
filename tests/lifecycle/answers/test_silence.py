"""No answer at all: each way has a row, and none is a yes."""

from __future__ import annotations

import pytest

from bridge.lifecycle.answers import SILENCE, Silence, no_answer
from bridge.model import Acknowledgement, Answer


@pytest.mark.parametrize("silence", list(Silence))
def test_every_silence_has_a_row_and_none_is_a_yes(silence: Silence) -> None:
    """No answer is never an acceptance."""
    assert no_answer(silence, "why\x00") == Acknowledgement(answer=SILENCE[silence].answer, code=silence.value, text="why")
    assert SILENCE[silence].answer is not Answer.ACCEPTED
