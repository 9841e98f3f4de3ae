"""How containers stand from day to day, and when one seems to have been left open."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from bridge.pages.container_board import RECKONED_FOR, ContainerBoard, Standing
from bridge.store.sqlite import SqliteStore
from tests.bench.shelved import Shelved
from tests.judging_for_tests import NOW
from tests.tables.shipped_tables import ZONE, tables


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Shelved]:
    """Give an analyzer whose site asks for containers."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    yield Shelved(store)
    store.close()


@pytest.mark.parametrize(
    ("day", "standing", "left", "asks"),
    [
        ("2026-11-25", Standing.GOOD, 90, False),
        ("2027-02-08", Standing.GOOD, 15, False),
        ("2027-02-09", Standing.SOON, 14, False),
        ("2027-02-20", Standing.SOON, 3, True),
        ("2027-02-23", Standing.SOON, 0, True),
        ("2027-02-24", Standing.OPEN_TOO_LONG, -1, True),
        ("2027-04-01", Standing.EXPIRED, -37, True),
    ],
)
def test_a_container_is_told_of_before_its_end(bench: Shelved, day: str, standing: Standing, left: int, asks: bool) -> None:
    """HZ-C03: two weeks and three days ahead; 90 days after 25 November is 23 February, before the label's 31 March."""
    bench.open()
    now = datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=ZONE)
    (shown,) = ContainerBoard(bench.store, bench.tables).in_use(now=now)
    assert (shown.last, shown.standing, shown.days_left, shown.asks_for_a_look) == (date(2027, 2, 23), standing, left, asks)
    assert shown.suspicion is None


def test_a_container_that_stood_open_is_suspected(bench: Shelved) -> None:
    """HZ-C04: a third of the nitrite pads falsely positive is told of within 23 strips; the container before and the one after are not."""
    bench.open()
    for _ in range(20):
        bench.read(bench.patient())
    bench.minute += 1
    bench.open()
    for number in range(23):
        bench.read(bench.patient(ranks={"nitrite": int(number % 3 == 0)}))
    bench.minute += 1
    bench.open()
    bench.read(bench.patient(ranks={"nitrite": 1, "leukocytes": 2}))
    first, second, third = ContainerBoard(bench.store, bench.tables).in_use(now=bench.at)
    assert [each.is_suspected for each in (first, second, third)] == [False, True, False]
    assert first.suspicion is not None
    assert second.suspicion is not None
    assert third.suspicion is not None
    assert [(each.found, each.n) for each in (first.suspicion, second.suspicion, third.suspicion)] == [(0, 20), (8, 23), (0, 1)]
    assert second.asks_for_a_look
    assert first.span.until == second.row.container.opened_at


def test_what_was_added_up_is_kept_for_a_while(bench: Shelved) -> None:
    """Today is looked at often and the alarm is no matter of minutes; the page Lots adds up anew."""
    board = ContainerBoard(bench.store, bench.tables)
    bench.open()

    def counted(*, later: timedelta = timedelta(), anew: bool = False) -> int:
        (shown,) = board.in_use(now=bench.at + later, anew=anew)
        return shown.suspicion.n if shown.suspicion else 0

    bench.read(bench.patient())
    assert counted() == 1
    bench.read(bench.patient())
    assert counted() == 1
    assert counted(anew=True) == 2
    bench.read(bench.patient())
    assert counted(later=RECKONED_FOR - timedelta(minutes=1)) == 2  # a minute of the bench has gone by since
    assert counted(later=RECKONED_FOR) == 3


def test_a_site_without_the_file_has_no_board(bench: Shelved) -> None:
    """Nothing is said of containers that nobody keeps."""
    bench.open()
    assert ContainerBoard(bench.store, tables()).in_use(now=datetime(2027, 6, 1, tzinfo=UTC)) == ()
