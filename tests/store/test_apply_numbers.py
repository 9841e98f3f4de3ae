"""What leaves nothing to say of a number. The contract of missing numbers: number_contract.py."""

from __future__ import annotations

import pytest

from bridge.bench.answered import GapEnd
from bridge.store.apply_numbers import is_over


@pytest.mark.parametrize("known", list(GapEnd))
@pytest.mark.parametrize("now", list(GapEnd))
def test_only_an_answered_question_may_be_followed(known: GapEnd, now: GapEnd) -> None:
    """Numbers that were not set by hand are still missing, and may be explained; all others are settled."""
    assert is_over(known, now) is not (known is GapEnd.NOT_SET and now is not GapEnd.NOT_SET)
