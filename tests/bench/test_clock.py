"""The median of an analyzer's last live offsets: what one strip cannot prove, and what resends cannot fake."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from statistics import median_low

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.clock import BURST, FEWEST, STEADY, Clock, Heard, Offset, offsets
from bridge.model import ClockFacts

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def heard(minute: float, off: timedelta | None = timedelta(), **more: object) -> Heard:
    """Give a live strip that arrived ``minute`` minutes after NOW, printed ``off`` before that."""
    at = NOW + minute * MINUTE
    given = {
        "seat": (round(minute * 100) + 1, 0),
        "arrived_at": at,
        "printed_at": None if off is None else at - off,
        "is_live": True,
    }
    return Heard(**{**given, **more})  # type: ignore[arg-type] # a strip's own fields, of several types


def after(*strips: Heard, last: int = 5) -> Clock:
    """Give a clock that kept these."""
    clock = Clock(last)
    for strip in strips:
        clock.keep(strip)
    return clock


def test_one_strip_proves_nothing() -> None:
    """Hazard HZ-D08: a strip 16 minutes late may have waited; the clock is known once three of the last five agree."""
    off = timedelta(minutes=16)
    clock = after(heard(0), heard(3), heard(6), heard(9), heard(12))
    assert clock.facts() == ClockFacts(offset=timedelta(), strips=5)
    assert clock.facts(heard(15, off)) == ClockFacts(offset=timedelta(), strips=5, is_fresh=True)
    for minute in (15, 18):
        clock.keep(heard(minute, off))
    assert clock.facts().offset == timedelta()
    assert clock.facts(heard(21, off)).offset == off
    assert clock.facts().offset == timedelta()  # to ask keeps nothing


@pytest.mark.parametrize("count", range(1, FEWEST))
def test_too_few_strips_say_nothing(count: int) -> None:
    """After the first start nobody knows yet; the rules of the strip alone still hold."""
    clock = after(*(heard(3 * number, timedelta(hours=1)) for number in range(count)))
    assert clock.facts() == ClockFacts(offset=None, strips=count)


@pytest.mark.parametrize(
    "more",
    [{"is_live": False}, {"is_alone": False}, {"is_certain": False}, {"printed_at": None}],
    ids=["from a folder", "one of a batch", "in the hour that came twice", "no time"],
)
def test_what_may_have_waited_or_may_be_misread_is_not_counted(more: dict[str, object]) -> None:
    """A folder's file, a batch, an hour that came twice and a strip without a time say nothing of the clock."""
    odd = heard(15, timedelta(hours=5), **more)
    clock = after(heard(0), heard(3), heard(6))
    assert clock.facts(odd) == ClockFacts(offset=timedelta(), strips=3)
    assert clock.keep(odd) is None


def test_a_burst_was_stored() -> None:
    """What follows the strip before within seconds was not read just now: no analyzer is so fast."""
    clock = after(heard(0), heard(3), heard(6))
    at = NOW + 6 * MINUTE + BURST
    soon = Heard(seat=(700, 0), arrived_at=at - timedelta(seconds=1), printed_at=NOW, is_live=True)
    just = Heard(seat=(700, 0), arrived_at=at, printed_at=NOW, is_live=True)
    assert (clock.facts(soon).is_fresh, clock.facts(just).is_fresh) == (False, True)


def test_strips_that_are_sent_again_one_by_one_do_not_move_it() -> None:
    """Sent every ten seconds, read every three minutes: their offsets differ by as much as they waited, and no clock runs like that."""
    clock = after(*(heard(3 * number) for number in range(5)))
    for number in range(6):
        waited = timedelta(hours=4) - number * (timedelta(minutes=3) - timedelta(seconds=10))
        clock.keep(heard(20 + number / 6, waited))
    assert clock.facts().offset is None


def test_a_clock_that_runs_a_little_off_is_steady() -> None:
    """A time printed without seconds, and a busy line: they agree within two minutes."""
    spread = [timedelta(minutes=20) + part * STEADY for part in (0, 1, -1, 1, 0)]
    clock = after(*(heard(3 * number, off) for number, off in enumerate(spread)))
    assert clock.facts().offset == timedelta(minutes=20)


def test_a_strip_is_kept_once() -> None:
    """What is judged again after a failed commit was heard already."""
    clock = Clock(5)
    assert clock.keep(heard(0)) == Offset(at=NOW, by=timedelta())
    assert clock.keep(heard(0)) is None
    assert clock.facts().strips == 1


def test_a_service_clock_that_is_set_back_makes_no_burst_of_a_day() -> None:
    """The newest arrival counts; a strip before it is taken for one of a burst until time has caught up, and never for a proof."""
    clock = after(heard(60), Heard(seat=(6002, 0), arrived_at=NOW, printed_at=NOW, is_live=True))
    assert clock.facts().strips == 1


@given(st.lists(st.integers(-60, 60), min_size=1, max_size=30), st.integers(3, 9))
def test_it_is_the_median_of_the_last(minutes: list[int], last: int) -> None:
    """Against the library's median of the last so many, where more than half of them are within two minutes of it."""
    strips = [heard(3 * number, off * MINUTE) for number, off in enumerate(minutes)]
    clock = Clock(last)
    assert [each.by for each in offsets(reversed(strips), clock)] == [off * MINUTE for off in minutes]
    kept = minutes[-last:]
    middle = median_low(kept)
    agrees = len(kept) >= 3 and sum(abs(each - middle) <= 2 for each in kept) * 2 > len(kept)
    assert clock.facts() == ClockFacts(offset=middle * MINUTE if agrees else None, strips=len(kept))
