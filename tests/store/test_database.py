"""What commands ask of a database: here SQLite; tests/store/test_postgresql.py asks PostgreSQL the same."""

from __future__ import annotations

import sqlite3

import pytest

from bridge.store.database import SqliteDb
from tests.store.strips import NOW


def test_a_new_row_gives_its_id(file: SqliteDb) -> None:
    """Also inside a savepoint that is let go at once: no statement of ours is left open."""
    row = "INSERT INTO words (word) VALUES (?)"
    file.execute("BEGIN IMMEDIATE")
    file.execute("SAVEPOINT one")
    given = [int(file.insert(row, (text,))) for text in ("x", "y")]
    file.execute("RELEASE one")
    file.execute("COMMIT")
    assert given == [1, 2]
    assert file.execute("SELECT id, word FROM words ORDER BY id").fetchall() == [(1, "x"), (2, "y")]


def test_a_row_that_is_refused_gives_none(file: SqliteDb) -> None:
    """The database's own error comes through."""
    with pytest.raises(sqlite3.IntegrityError):
        file.insert("INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (?,'',NULL,'')", (1,))


def test_one_writer_holds_everything(file: SqliteDb) -> None:
    """SQLite has no rows to lock and no clock of a server: BEGIN IMMEDIATE keeps all others out, and one process has one clock."""
    assert file.execute(f"SELECT 1{file.for_update}").fetchone() == (1,)
    file.hold("lane")
    file.tell("analyzer:brook-1")
    assert not file.in_transaction
    assert file.time(NOW) == NOW


WORD = "INSERT INTO words (word) VALUES (?)"


def test_what_is_appended_in_a_group_stands_once_it_is_settled(file: SqliteDb) -> None:
    """In its order, and not before: whoever reads such rows settles first. Outside a group a row stands at once."""
    file.append(WORD, ("alone",))
    file.execute("BEGIN IMMEDIATE")
    file.standing = set()
    for word in ("b", "a"):
        file.append(WORD, (word,))
    before = file.execute("SELECT word FROM words ORDER BY id").fetchall()
    file.settle()
    file.settle()  # once is enough
    assert before == [("alone",)]
    assert file.execute("SELECT word FROM words ORDER BY id").fetchall() == [("alone",), ("b",), ("a",)]
    file.execute("ROLLBACK")


def test_what_was_appended_is_forgotten_with_its_group(file: SqliteDb) -> None:
    """A group that is undone leaves nothing behind that the next one would write."""
    file.execute("BEGIN IMMEDIATE")
    file.standing = set()
    file.append(WORD, ("lost",))
    file.known["lost"] = 1
    file.execute("ROLLBACK")
    file.forget()
    file.settle()
    assert file.execute("SELECT count(*) FROM words").fetchone() == (0,)
    assert not file.known
    assert file.standing is None


def test_a_row_that_is_refused_when_it_is_settled_says_so(file: SqliteDb) -> None:
    """The database's own error comes through, as of a row that is written at once."""
    file.execute("BEGIN IMMEDIATE")
    file.standing = set()
    file.append(WORD, (None,))
    with pytest.raises(sqlite3.IntegrityError, match=r"NOT NULL constraint failed: words\.word"):
        file.settle()
    file.execute("ROLLBACK")
