"""What commands ask of a database: here SQLite; tests/store/test_postgresql.py asks PostgreSQL the same."""

from __future__ import annotations

import sqlite3

import pytest

from bridge.store.database import SqliteDb, new_id
from tests.store.strips import NOW


def test_a_new_row_gives_its_id(file: SqliteDb) -> None:
    """Also inside a savepoint that is let go at once: no statement of ours is left open."""
    row = "INSERT INTO words (word) VALUES (?)"
    file.execute("BEGIN IMMEDIATE")
    file.execute("SAVEPOINT one")
    given = [new_id(file, row, (text,)) for text in ("x", "y")]
    file.execute("RELEASE one")
    file.execute("COMMIT")
    assert given == [1, 2]
    assert file.execute("SELECT id, word FROM words ORDER BY id").fetchall() == [(1, "x"), (2, "y")]


def test_a_row_that_is_refused_gives_none(file: SqliteDb) -> None:
    """The database's own error comes through."""
    with pytest.raises(sqlite3.IntegrityError):
        new_id(file, "INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (?,'',NULL,'')", (1,))


def test_one_writer_holds_everything(file: SqliteDb) -> None:
    """SQLite has no rows to lock and no clock of a server: BEGIN IMMEDIATE keeps all others out, and one process has one clock."""
    assert file.execute(f"SELECT 1{file.for_update}").fetchone() == (1,)
    file.hold("lane")
    file.tell("analyzer:brook-1")
    assert not file.in_transaction
    assert file.time(NOW) == NOW
