"""One moment for all queries of a question."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.store.database import Db, SqliteDb
from bridge.store.snapshots import one_snapshot


class Counting:
    """Reads a table twice; between the two, whatever ``between`` does."""

    def __init__(self, file: Path) -> None:
        self.connection = sqlite3.connect(file, isolation_level=None, factory=SqliteDb)
        self._db: Callable[[], Db] = lambda: self.connection

    def _count(self) -> int:
        return int(self.connection.execute("SELECT count(*) FROM n").fetchone()[0])

    @one_snapshot
    def twice(self, other: sqlite3.Connection, *, fail: bool = False) -> tuple[int, int]:
        """Count, let another connection write, and count again."""
        first = self._count()
        other.execute("INSERT INTO n VALUES (1)")
        if fail:
            raise KeyError("asked for")
        return first, self._count()

    @one_snapshot
    def around(self, other: sqlite3.Connection) -> tuple[tuple[int, int], int]:
        """Ask ``twice`` inside, then count."""
        return self.twice(other), self._count()


@pytest.fixture
def both(tmp_path: Path) -> tuple[Counting, sqlite3.Connection]:
    other = sqlite3.connect(tmp_path / "n.sqlite", isolation_level=None)
    other.execute("PRAGMA journal_mode = WAL")
    other.execute("CREATE TABLE n (x)")
    return Counting(tmp_path / "n.sqlite"), other


def test_what_is_committed_meanwhile_is_seen_by_the_next_question(both: tuple[Counting, sqlite3.Connection]) -> None:
    """Sums of one answer agree, and the answer after it is up to date."""
    reads, other = both
    assert reads.twice(other) == (0, 0)
    assert reads.twice(other) == (1, 1)
    assert not reads.connection.in_transaction


def test_a_question_inside_another_shares_its_moment(both: tuple[Counting, sqlite3.Connection]) -> None:
    """The inner one neither ends nor renews what the outer one sees."""
    reads, other = both
    assert reads.around(other) == ((0, 0), 0)
    assert not reads.connection.in_transaction


def test_a_question_that_fails_lets_go(both: tuple[Counting, sqlite3.Connection]) -> None:
    """A kept moment would hold the log from being written back, for ever."""
    reads, other = both
    with pytest.raises(KeyError):
        reads.twice(other, fail=True)
    assert not reads.connection.in_transaction
    assert reads.twice(other) == (1, 1)
    assert Counting.twice.__doc__ == "Count, let another connection write, and count again."
