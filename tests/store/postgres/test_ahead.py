"""Statements that are sent together: when they are done, who is told of an error, and what is left undone."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
from psycopg import errors

from bridge.store.postgres.ahead import MOST_BYTES, MOST_PREPARED
from bridge.store.postgres.connection import WRITING, PostgresDb, Server
from tests.peers.postgres import PostgresServer

PUT = "INSERT INTO meta (name, value) VALUES (?, ?)"
PREPARED = "SELECT count(*) FROM pg_prepared_statements"


@pytest.fixture
def db(at: Server) -> Iterator[PostgresDb]:
    opened = at.connect(WRITING)
    opened.connection.prepare_threshold = None
    yield opened
    opened.close()


@pytest.fixture
def other(at: Server) -> Iterator[PostgresDb]:
    opened = at.connect("SET lock_timeout = '50ms'")
    yield opened
    opened.close()


def is_free(other: PostgresDb, name: str) -> bool:
    """Say whether another session can hold ``name``."""
    other.execute("BEGIN")
    try:
        other.hold(name)
    except errors.LockNotAvailable:
        return False
    finally:
        other.execute("ROLLBACK")
    return True


def kept(db: PostgresDb) -> list[tuple[str, str]]:
    """Give what a transaction of its own finds."""
    db.begin(ahead=False)
    found = db.execute("SELECT name, value FROM meta ORDER BY name").fetchall()
    db.commit()
    return found


def test_a_statement_is_sent_when_somebody_asks_for_rows(db: PostgresDb, other: PostgresDb) -> None:
    """Nothing is at the server before; with one answer everything is that was said before it."""
    db.begin(ahead=True)
    db.hold("lanes")
    db.execute(PUT, ("a", "1"))
    asked = db.execute("SELECT value FROM meta WHERE name = ?", ("a",))
    seen = [(is_free(other, "lanes"), db.in_transaction)]
    assert asked.fetchone() == ("1",)
    seen.append((is_free(other, "lanes"), db.in_transaction))
    db.commit()
    seen.append((is_free(other, "lanes"), db.in_transaction))
    assert seen == [(True, False), (False, True), (True, False)]
    assert kept(db) == [("a", "1")]


def test_what_is_long_is_sent_before(db: PostgresDb, other: PostgresDb) -> None:
    """So that libpq never begins by itself to send what the server would wait inside of."""
    db.begin(ahead=True)
    db.hold("lanes")
    db.execute(PUT, ("a", "x" * MOST_BYTES))
    assert not is_free(other, "lanes")
    db.commit()
    assert kept(db) == [("a", "x" * MOST_BYTES)]


def test_rows_are_given_as_a_cursor_gives_them(db: PostgresDb) -> None:
    """One by one, the rest, none behind the last; and how many rows a statement touched."""
    db.begin(ahead=True)
    assert db.execute("INSERT INTO meta (name, value) VALUES ('a', '1'), ('b', '1'), ('c', '2')").rowcount == 3
    rows = db.execute("SELECT name FROM meta ORDER BY name")
    assert rows.fetchone() == ("a",)
    assert rows.fetchall() == [("b",), ("c",)]
    assert rows.fetchone() is None
    assert [name for (name,) in db.execute("SELECT name FROM meta WHERE value = ? ORDER BY name", ("1",))] == ["a", "b"]
    assert db.execute("UPDATE meta SET value = '3' WHERE value = '1'").rowcount == 2
    assert db.execute("DELETE FROM meta WHERE name = 'z'").rowcount == 0
    db.commit()


def test_an_error_may_be_told_by_the_commit_and_then_nothing_is_committed(db: PostgresDb) -> None:
    """COMMIT went along behind the statement that failed, and was not done (libpq documentation, "Pipeline Mode", "Error Handling")."""
    db.begin(ahead=True)
    db.execute(PUT, ("a", "1"))
    db.execute(PUT, ("a", "2"))
    db.execute(PUT, ("b", "1"))
    with pytest.raises(errors.UniqueViolation):
        db.commit()
    db.undo()
    assert kept(db) == []


def test_an_error_that_is_passed_over_comes_again(db: PostgresDb) -> None:
    """COMMIT of a failed transaction is answered with ROLLBACK and no error (PostgreSQL documentation, COMMIT): it is never sent."""
    db.begin(ahead=True)
    db.execute(PUT, ("a", "1"))
    with pytest.raises(errors.DivisionByZero):
        db.execute("SELECT 1 / 0").fetchone()
    for again in (lambda: db.execute(PUT, ("b", "1")), lambda: db.execute("SELECT 1"), db.commit):
        with pytest.raises(errors.DivisionByZero):
            again()
    db.undo()
    assert kept(db) == []


def test_rows_asked_for_behind_an_error_raise_it(db: PostgresDb) -> None:
    """Each of the statements that went together tells of the first error."""
    db.begin(ahead=True)
    first, failing, behind = db.execute("SELECT 1"), db.execute("SELECT 1 / 0"), db.execute("SELECT 2")
    with pytest.raises(errors.DivisionByZero):
        behind.fetchone()
    with pytest.raises(errors.DivisionByZero):
        failing.fetchall()
    assert first.fetchone() == (1,)
    db.undo()


def test_an_undone_transaction_leaves_nothing_and_the_next_goes_on(db: PostgresDb) -> None:
    """Whether it was sent or not, and whether an error stands or not."""
    for spoil in ("SELECT 1", "SELECT 1 / 0"):
        for is_sent in (False, True):
            db.begin(ahead=True)
            db.execute(PUT, ("a", "1"))
            rows = db.execute(spoil)
            if is_sent:
                try:
                    rows.fetchone()
                except errors.DivisionByZero:
                    assert spoil == "SELECT 1 / 0"
            db.undo()
            assert kept(db) == []
    db.begin(ahead=True)
    db.execute(PUT, ("a", "2"))
    db.commit()
    assert kept(db) == [("a", "2")]


def test_statements_are_prepared_once(db: PostgresDb) -> None:
    """Over transactions, ROLLBACKs and errors: what an error kept the server from preparing is prepared when it is next said."""
    for number in (0, 1, 2):
        db.begin(ahead=True)
        db.execute("SELECT 1 / ?", (number,))
        db.execute(PUT, (str(number), ""))
        if number == 0:
            with pytest.raises(errors.DivisionByZero):
                db.commit()
            db.undo()
        else:
            db.commit()
    assert kept(db) == [("1", ""), ("2", "")]
    names = db.execute("SELECT statement FROM pg_prepared_statements ORDER BY statement").fetchall()
    assert [name for (name,) in names] == [
        "BEGIN", "COMMIT", "INSERT INTO meta (name, value) VALUES ($1, $2)", "SELECT 1 / $1",
    ]  # fmt: skip


def test_only_so_many_statements_are_prepared(db: PostgresDb) -> None:
    """A text that never comes again costs the server nothing for good."""
    db.begin(ahead=True)
    said = [db.execute(f"SELECT {number}") for number in range(MOST_PREPARED + 20)]
    assert [rows.fetchone() for rows in said] == [(number,) for number in range(MOST_PREPARED + 20)]
    assert db.execute(PREPARED).fetchone() == (MOST_PREPARED,)
    db.commit()


def test_a_session_that_was_ended_is_known_before_a_commit_is_sent(db: PostgresDb, postgres: PostgresServer) -> None:
    """Then it is sure that nothing was committed. While it stands, looking costs nothing and says nothing."""
    db.begin(ahead=True)
    db.execute(PUT, ("a", "1"))
    (backend,) = db.execute("SELECT pg_backend_pid()").fetchone()
    db.must_stand()
    postgres.sql(f"SELECT pg_terminate_backend({backend}, 10000)")
    with pytest.raises(psycopg.OperationalError):
        db.must_stand()


def test_a_session_that_ends_under_way_says_why(db: PostgresDb) -> None:
    """The server's last word, not that the line is dead."""
    db.begin(ahead=True)
    db.execute("SELECT pg_terminate_backend(pg_backend_pid())")
    with pytest.raises(errors.AdminShutdown):
        db.execute("SELECT 1").fetchone()
    with pytest.raises(psycopg.Error):
        db.undo()
