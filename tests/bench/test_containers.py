"""Which container a strip is from, and to which day its strips may be used."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.containers import Span, container_of, is_of, last_day, spans
from tests.bench.containers_for_tests import container
from tests.tables.shipped_tables import ZONE

OPENED = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_a_strip_is_from_the_container_of_its_lot_that_was_opened_last() -> None:
    """Two containers of a lot one after the other: each has the strips between its opening and the next."""
    first, second = container(OPENED), container(OPENED + 24 * HOUR, container_id=2)
    assert container_of((first, second), "24A01", OPENED + HOUR, ZONE) is first
    assert container_of((first, second), "24A01", OPENED + 24 * HOUR, ZONE) is second
    assert container_of((first, second), "24A01", OPENED - 10 * HOUR, ZONE) is None  # the day before


def test_one_opened_later_on_the_same_day_counts() -> None:
    """People write down the day, and a clock may be slow; the day before does not count, by the site's own midnight."""
    midnight = datetime(2026, 11, 25, 0, 0, tzinfo=ZONE)
    opened = container(midnight + 9 * HOUR)
    assert container_of((opened,), "24A01", midnight, ZONE) is opened
    assert container_of((opened,), "24A01", midnight - timedelta(microseconds=1), ZONE) is None


def test_a_container_that_is_out_of_use_has_no_more_strips() -> None:
    """The very instant of its end still counts; where another is open, that one does."""
    ended = container(OPENED, closed_at=OPENED + 2 * HOUR)
    assert container_of((ended,), "24A01", OPENED + 2 * HOUR, ZONE) is ended
    assert container_of((ended,), "24A01", OPENED + 2 * HOUR + timedelta(microseconds=1), ZONE) is None
    other = container(OPENED - 48 * HOUR, container_id=2)
    assert container_of((other, ended), "24A01", OPENED + 3 * HOUR, ZONE) is other


def test_a_lot_that_is_not_printed_may_be_any() -> None:
    """An analyzer that prints no lot has the container that was entered for it last; a printed lot is compared sign for sign."""
    first, second = container(OPENED), container(OPENED + HOUR, container_id=2, strip_lot="24B07")
    read_at = OPENED + 2 * HOUR
    assert [is_of(first, lot) for lot in ("24A01", "", "24a01", "24A01 ")] == [True, True, False, False]
    assert container_of((first, second), "24A01", read_at, ZONE) is first
    assert container_of((first, second), "", read_at, ZONE) is second
    assert container_of((first, second), "24C", read_at, ZONE) is None


@pytest.mark.parametrize(
    ("open_days", "last"),
    [
        (None, date(2027, 3, 31)),
        (90, date(2027, 2, 23)),
        (126, date(2027, 3, 31)),
        (200, date(2027, 3, 31)),
        (1, date(2026, 11, 26)),
    ],
)
def test_the_earlier_of_two_last_days_counts(open_days: int | None, last: date) -> None:
    """The label's, or so many days behind the day of opening: 25 November and 90 days is 23 February (counted on a calendar)."""
    assert last_day(container(OPENED), ZONE, open_days) == last


def test_spans_end_with_the_next_container_or_with_the_own_end() -> None:
    """Whichever comes first; the newest goes on."""
    chain = (
        container(OPENED),
        container(OPENED + 10 * HOUR, container_id=2, closed_at=OPENED + 12 * HOUR),
        container(OPENED + 20 * HOUR, container_id=3),
    )
    assert spans(chain) == {
        1: Span(since=OPENED, until=OPENED + 10 * HOUR),
        2: Span(since=OPENED + 10 * HOUR, until=OPENED + 12 * HOUR),
        3: Span(since=OPENED + 20 * HOUR, until=None),
    }


@given(st.lists(st.integers(0, 2000), min_size=1, max_size=8), st.integers(0, 2000))
def test_a_later_container_never_gives_its_strips_to_an_earlier_one(hours: list[int], read: int) -> None:
    """Property: where any was opened before the strip, it is from the one opened last; spans never overlap."""
    chain = [container(OPENED + at * HOUR, container_id=number) for number, at in enumerate(sorted(hours))]
    read_at = OPENED + read * HOUR
    found = container_of(chain, "24A01", read_at, ZONE)
    before = [each for each in chain if each.opened_at <= read_at]
    if before:
        assert found is before[-1]
    elif found is not None:
        assert found.opened_at.astimezone(ZONE).date() == read_at.astimezone(ZONE).date()
    ordered = [spans(chain)[each.container_id] for each in chain]
    assert all(one.until is not None and one.until <= other.since for one, other in pairwise(ordered))
