"""Facts of an analyzer's life say nothing of themselves."""

from __future__ import annotations

from bridge.life import DayLogFacts


def test_a_log_that_says_nothing_is_empty() -> None:
    """What nobody noted is neither missing nor wrong nor a temperature."""
    facts = DayLogFacts()
    assert (facts.missing, facts.wrong, facts.room_c) == ((), (), None)
