"""The sessions that read: few, shared, replaced when the server ended them."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import psycopg
import pytest

from bridge.errors import StoreAway, StoreFailed
from bridge.store.postgres.connection import Server
from bridge.store.postgres.readers import SESSIONS, Readers
from tests.peers.postgres import PostgresServer
from tests.store.strips import NOW, WAIT

PID = "SELECT pg_backend_pid()"


@pytest.fixture
def readers(at: Server) -> Iterator[Readers]:
    made = Readers(at)
    yield made
    made.close()


def pid(readers: Readers) -> int:
    return int(readers.execute(PID).fetchone()[0])


def end(postgres: PostgresServer, backend: int) -> None:
    """End a session from outside, and wait until it is gone."""
    assert postgres.sql(f"SELECT pg_terminate_backend({backend}, 10000)") == [(True,)]


def test_one_thread_after_another_needs_one_session(readers: Readers) -> None:
    """A session is borrowed for a statement; its rows outlive the loan."""
    rows = readers.execute("SELECT n FROM generate_series(1, 3) n")
    seen = [pid(readers)]
    thread = threading.Thread(target=lambda: seen.append(pid(readers)))
    thread.start()
    thread.join(WAIT)
    assert len(set(seen)) == 1
    assert [n for (n,) in rows] == [1, 2, 3]


def test_more_threads_than_sessions_take_turns(readers: Readers) -> None:
    """Twelve threads in transactions of their own: never more sessions than allowed, and everyone is served."""
    all_in = threading.Barrier(SESSIONS)
    seen: list[int] = []

    def ask(first: bool) -> None:
        readers.execute("BEGIN")
        seen.append(pid(readers))
        if first:
            all_in.wait(WAIT)
        seen.append(pid(readers))
        readers.execute("COMMIT")

    for first in (True, False, False):
        threads = [threading.Thread(target=ask, args=(first,)) for _ in range(SESSIONS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(WAIT)
    assert len(seen) == 3 * 2 * SESSIONS
    assert len(set(seen)) == SESSIONS == 4


def test_a_transaction_keeps_its_session_and_its_moment(readers: Readers, at: Server) -> None:
    """Another thread reads meanwhile on another one."""
    writer = at.connect("")
    readers.execute("BEGIN")
    kept = [readers.in_transaction]
    mine = pid(readers)
    assert readers.execute("SELECT count(*) FROM meta").fetchone() == (0,)
    writer.execute("INSERT INTO meta (name, value) VALUES ('a', '1')")
    seen: list[object] = []
    thread = threading.Thread(
        target=lambda: seen.extend(
            (readers.in_transaction, pid(readers), readers.execute("SELECT count(*) FROM meta").fetchone())
        )
    )
    thread.start()
    thread.join(WAIT)
    assert (seen[0], seen[2]) == (False, (1,))
    assert seen[1] != mine == pid(readers)
    assert readers.execute("SELECT count(*) FROM meta").fetchone() == (0,)
    readers.execute("COMMIT")
    assert [*kept, readers.in_transaction] == [True, False]
    assert readers.execute("SELECT count(*) FROM meta").fetchone() == (1,)
    writer.close()


def test_a_session_that_the_server_ended_is_replaced_without_a_word(readers: Readers, postgres: PostgresServer) -> None:
    """A restart between two looks at a page is nobody's fault."""
    for statement in (PID, "BEGIN"):
        before = pid(readers)
        end(postgres, before)
        readers.execute(statement)
        assert pid(readers) != before
    readers.execute("COMMIT")


def test_a_session_that_ends_inside_a_question_is_told(readers: Readers, postgres: PostgresServer) -> None:
    """Half an answer of before and half of after would be wrong; the next question goes well."""
    readers.execute("BEGIN")
    end(postgres, pid(readers))
    with pytest.raises(StoreAway, match=r"^The database cannot be read \(AdminShutdown\)\. Try again\.$"):
        readers.execute("SELECT 1")
    with pytest.raises(StoreAway):
        readers.execute("COMMIT")
    assert not readers.in_transaction
    assert readers.execute("SELECT 1").fetchone() == (1,)


def test_a_question_that_is_wrong_harms_no_other(readers: Readers) -> None:
    """A defect of ours comes through as it is; inside BEGIN and COMMIT as well."""
    with pytest.raises(psycopg.errors.UndefinedTable):
        readers.execute("SELECT * FROM nowhere")
    readers.execute("BEGIN")
    with pytest.raises(psycopg.errors.UndefinedTable):
        readers.execute("SELECT * FROM nowhere")
    readers.execute("COMMIT")
    assert readers.execute("SELECT 1").fetchone() == (1,)


def test_a_server_that_nobody_reaches_is_told_and_no_session_is_lost(postgres: PostgresServer) -> None:
    """As often as there are sessions and once more: none is counted as lent for ever."""
    readers = Readers(Server(url=postgres.url("no_such_database")))
    for _ in range(SESSIONS + 1):
        with pytest.raises(StoreAway, match=r'database "no_such_database" does not exist'):
            readers.execute("SELECT 1")
    readers.close()


def test_after_closing_nobody_is_served(at: Server) -> None:
    """Closing twice does no harm."""
    readers = Readers(at)
    readers.execute("SELECT 1")
    for _ in range(2):
        readers.close()
        with pytest.raises(StoreFailed, match=r"^The store is closed\.$"):
            readers.execute("SELECT 1")


def test_what_changes_something_is_not_for_readers(readers: Readers) -> None:
    """The server refuses to write; there is nothing to hold or tell; the clock is the server's."""
    with pytest.raises(StoreAway, match="ReadOnlySqlTransaction"):
        readers.execute("DELETE FROM meta")
    readers.hold("x")
    readers.tell("x")
    assert readers.for_update == ""
    assert readers.time(NOW) > NOW
