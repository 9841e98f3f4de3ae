"""Ages part time without a gap: what one bound leaves out the next one takes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.lifecycle.ageing import AGES, Age, age, edges, span

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("waited", "word"),
    [
        (timedelta(minutes=-5), Age.NEW),
        (timedelta(0), Age.NEW),
        (timedelta(minutes=29, seconds=59), Age.NEW),
        (timedelta(minutes=30), Age.WAITING),
        (timedelta(minutes=119), Age.WAITING),
        (timedelta(hours=2), Age.LONG),  # two hours: CLSI GP16-A3, from memory
        (timedelta(hours=23), Age.LONG),
        (timedelta(hours=24), Age.VERY_LONG),
        (timedelta(days=400), Age.VERY_LONG),
    ],
)
def test_the_longer_it_waits_the_older_it_is(waited: timedelta, word: Age) -> None:
    """To the second; a clock that went back makes nothing older. The span of the word holds the same moment."""
    since = NOW - waited
    assert age(since, now=NOW) is word
    within = [each for each in AGES if _holds(each, since)]
    assert within == [word]


def _holds(word: Age, since: datetime) -> bool:
    after, until = span(word, now=NOW)
    return (after is None or since > after) and (until is None or since <= until)


def test_the_edges_run_from_the_latest_back() -> None:
    """As the store counts by them."""
    assert edges(NOW) == (NOW - timedelta(minutes=30), NOW - timedelta(hours=2), NOW - timedelta(hours=24))
