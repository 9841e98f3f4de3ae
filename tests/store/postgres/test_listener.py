"""What other processes tell is heard; what may have been missed is heard as "look everywhere"."""

from __future__ import annotations

import queue

from bridge.store.apply_container import NEWS
from bridge.store.postgres.connection import Server
from bridge.store.postgres.listener import EVERYTHING, Listener
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store.lot_contract import Bench
from tests.store.strips import WAIT

EARS = "SELECT pid FROM pg_stat_activity WHERE query LIKE 'LISTEN%' AND datname = current_database()"


def test_names_are_heard_but_not_ones_own(at: Server) -> None:
    """After "look everywhere" at the beginning, each name of another session once."""
    heard: queue.Queue[str] = queue.Queue()
    mine, other = at.connect(""), at.connect("")
    listener = Listener(at, heard.put, own=lambda: (mine.connection.info.backend_pid,))
    assert heard.get(timeout=WAIT) == EVERYTHING
    for session, name in ((mine, "analyzer:a"), (other, "analyzer:b"), (mine, "analyzer:c"), (other, "destination:d")):
        session.begin(ahead=False)
        session.tell(name)
        session.commit()
    assert [heard.get(timeout=WAIT) for _ in range(2)] == ["analyzer:b", "destination:d"]
    listener.close()
    assert heard.empty()
    mine.close()
    other.close()


def test_a_container_that_another_process_entered_is_news(at: Server) -> None:
    """Pages may run in one process and judging in another: what the second keeps of containers is old then."""
    heard: queue.Queue[str] = queue.Queue()
    listener = Listener(at, heard.put, own=lambda: ())
    assert heard.get(timeout=WAIT) == EVERYTHING
    store = PostgresStore(at)
    bench = Bench(store)
    one = bench.opens()
    assert heard.get(timeout=WAIT) == NEWS
    bench.closes(one)
    assert heard.get(timeout=WAIT) == NEWS
    listener.close()
    store.close()


def test_after_a_cut_everything_may_have_been_missed(postgres: PostgresServer, database: str, at: Server) -> None:
    """The session is ended from outside: it connects again by itself, and says to look everywhere."""
    heard: queue.Queue[str] = queue.Queue()
    listener = Listener(at, heard.put, own=lambda: ())
    for _ in range(3):
        assert heard.get(timeout=WAIT) == EVERYTHING
        ((ear,),) = postgres.sql(EARS, database)
        postgres.sql(f"SELECT pg_terminate_backend({ear}, 10000)")
    assert heard.get(timeout=WAIT) == EVERYTHING
    listener.close()
    postgres.until(lambda: postgres.sql(EARS, database) == [])


def test_a_listener_that_never_reached_anybody_ends_when_told() -> None:
    """Closing waits for no rest between two calls."""
    listener = Listener(Server(url="postgresql://127.0.0.1:1/nowhere"), lambda _: None, own=lambda: ())
    listener.close()
    assert not listener._thread.is_alive()
