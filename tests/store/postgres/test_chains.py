"""Two processes on one database: each has a chain of its own, both hold, and each seals what the other wrote."""

from __future__ import annotations

import threading
from contextlib import closing

import pytest

from bridge.store.chain_check import Walked, walk
from bridge.store.database import Db
from bridge.store.postgres.connection import READING, WRITING, Server
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.chained import morning, purge, seal
from tests.store.strips import WAIT, later


def walked(at: Server) -> Walked:
    with closing(at.connect(READING)) as session:
        session.execute("BEGIN")
        found = walk(session)
        session.execute("COMMIT")
        return found


def _write(store: PostgresStore, name: str, times: int) -> None:
    for turn in range(times):
        s.keep(store, f"{name}{turn}".encode(), analyzer=name)


def test_two_writers_at_once_hold_each_other(at: Server, postgres: PostgresServer, database: str) -> None:
    """HZ-J02: their events lie between one another, their chains do not; a seal of one names the newest entry of the other."""
    one, other = PostgresStore(at), PostgresStore(at)
    threads = [threading.Thread(target=_write, args=(store, name, 40)) for store, name in ((one, "left"), (other, "right"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(WAIT)
    assert seal(one) is not None
    assert seal(other) is not None
    found = walked(at)
    assert (found.chains, found.events, found.broken) == (2, 80, None)
    one.close()
    other.close()
    end = 2 << 32  # of the first chain: its last entry that has events goes with them, and the seal behind it
    (last,) = postgres.sql(f"SELECT max(id) FROM audit_entries WHERE events > 0 AND id < {end}", database)[0]
    cut = (
        f"DELETE FROM events WHERE entry >= {last} AND entry < {end}; DELETE FROM audit_entries WHERE id >= {last} AND id < {end}"
    )
    postgres.sql(f"SET session_replication_role = replica; {cut}", database)
    broken = walked(at).broken
    assert broken is not None
    assert "it is gone: entry" in broken.sentence
    assert broken.sentence.endswith("sealed it.")


def test_a_session_that_is_lost_begins_a_chain_anew(at: Server, postgres: PostgresServer, database: str) -> None:
    """Whether the last commit came about nobody needs to know: its entry stands or it does not, and the next chain names what stands."""
    store = PostgresStore(at)
    s.keep(store, b"1")
    postgres.sql(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()",
        database,
    )
    for turn in range(20):
        try:
            s.keep(store, b"%d" % turn)
        except Exception as away:
            assert "database" in str(away)  # noqa: PT017 - either may come
    store.close()
    found = walked(at)
    assert found.broken is None
    assert found.chains >= 2


def test_purged_and_told_on_a_server(at: Server) -> None:
    """As on a file: what the purge took is no break, and the last words of a person with a NUL in them are digested as they are stored."""
    store = PostgresStore(at)
    morning(store)
    assert purge(store) > 0
    found = walked(at)
    assert (found.broken, found.purged_before) == (None, later(1))
    assert found.purged > 0
    store.close()


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM audit_entries",
        "UPDATE audit_entries SET content = digest",
        "TRUNCATE audit_entries",
        "TRUNCATE audit_chains",
        "UPDATE event_kinds SET actor = 'Eve'",
        "UPDATE events SET who = NULL",
        "DELETE FROM events",
    ],
)
def test_the_server_refuses_to_change_what_is_bound(at: Server, harm: str) -> None:
    """HZ-J02: the triggers stand in the way of whoever has only the service's role."""
    store = PostgresStore(at)
    s.keep(store)
    store.close()
    session: Db
    with closing(at.connect(WRITING)) as session, pytest.raises(Exception, match="are append-only"):
        session.execute(harm)
