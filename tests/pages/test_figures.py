"""Days are walked through once, and again when something of them changed."""

from __future__ import annotations

from datetime import timedelta

from bridge.bench.period import period_of
from bridge.bench.turnaround import By, Stage
from bridge.model import Format
from bridge.pages.figures import LIVE, MOST_DAYS, OPEN_LIVES, FigureBook
from bridge.store.sqlite import SqliteStore
from tests.pages.stocked import LISBON, NOW, Stocked

DAY, MONTH = period_of("2026-11-25"), period_of("2026-11")
ONE_DAY = timedelta(days=1)


class Counting:
    """A store that counts the days that were walked through."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.walks = 0

    def __getattr__(self, name: str) -> object:
        self.walks += name == "travelled"
        return getattr(self._store, name)


def book(shelf: Stocked) -> tuple[FigureBook, Counting]:
    store = Counting(shelf.store)
    return FigureBook(store, LISBON, lambda: shelf.now, schemes=shelf.site().schemes), store  # type: ignore[arg-type]  # every read of a store's


def acknowledged(shelf: Stocked) -> None:
    shelf.answered(shelf.coded(to=(Format.ORU_R01,)))


def test_a_settled_day_is_walked_through_once(shelf: Stocked) -> None:
    """Days to come are left out, and a month is what its days come to."""
    acknowledged(shelf)
    figures, store = book(shelf)
    shelf.now += ONE_DAY
    assert figures.of(MONTH).times.results == 1
    assert len(figures.of(MONTH).days) == 26
    assert store.walks == 26
    assert figures.of(DAY).times.of(By.ALL, "", Stage.ANSWERED).n == 1
    assert store.walks == 26
    assert figures.of(MONTH) is figures.of(MONTH)
    assert figures.of(period_of("2026-12")).days == ()


def test_what_changes_later_changes_its_day(shelf: Stocked) -> None:
    """A strip that arrived on that day and is judged later: at once, and that day alone."""
    acknowledged(shelf)
    figures, store = book(shelf)
    shelf.now += ONE_DAY
    figures.of(MONTH)
    shelf.coded(to=(Format.ORU_R01,), arrived_at=NOW - timedelta(minutes=5))
    assert figures.of(MONTH).times.results == 2
    assert store.walks == 26 + 1


def test_what_is_open_is_looked_at_again(shelf: Stocked) -> None:
    """A result that is still to be acknowledged, and one that was turned away; figures say as of when they are."""
    result = shelf.coded(to=(Format.ORU_R01,))
    figures, store = book(shelf)
    shelf.now += ONE_DAY
    seen_at = shelf.now
    assert figures.of(DAY).as_of == seen_at
    shelf.answered(result)
    shelf.now += OPEN_LIVES - timedelta(seconds=1)
    assert (figures.of(DAY).times.unanswered, figures.of(DAY).as_of) == (1, seen_at)
    shelf.now += timedelta(seconds=1)
    assert (figures.of(DAY).times.unanswered, store.walks) == (0, 2)
    assert figures.of(DAY).as_of == shelf.now


def test_today_is_never_old(shelf: Stocked) -> None:
    """A held strip keeps its day open."""
    shelf.held()
    figures, store = book(shelf)
    assert sum(load.strips for load in figures.of(DAY).days[0].loads.values()) == 1
    figures.of(DAY)
    shelf.now += LIVE
    figures.of(DAY)
    assert store.walks == 2


def test_many_days_take_no_more_room(shelf: Stocked) -> None:
    """The oldest are forgotten, and are what they were when they are asked for again."""
    acknowledged(shelf)
    figures, store = book(shelf)
    shelf.now += ONE_DAY
    first = figures.of(DAY)
    for _ in range(MOST_DAYS):
        shelf.now += ONE_DAY
        figures.of(period_of(f"{shelf.now:%Y-%m-%d}"))
    assert len(figures._days) == MOST_DAYS
    assert figures.of(DAY).times == first.times
    assert store.walks == MOST_DAYS + 2


def test_numbers_that_were_passed_over_are_looked_at_again(shelf: Stocked) -> None:
    """The second of three came late: the day is right a while later; what is missing right before the late one is of the day on which that came."""
    shelf.coded(number="1")
    shelf.coded(number="5")
    figures, store = book(shelf)
    shelf.now += ONE_DAY
    first = figures.numbers(DAY)
    assert (first.came, [(gap.first, gap.last) for gap in first.gaps]) == (2, [(2, 4)])
    shelf.coded(number="3")
    assert figures.numbers(DAY) is first
    shelf.now += OPEN_LIVES
    assert [(gap.first, gap.last) for gap in figures.numbers(DAY).gaps] == [(4, 4)]
    assert store.walks == 0
