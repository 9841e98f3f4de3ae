"""After the server's own tools put a database back, one command does what a restore must do."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor

import pytest

from bridge.errors import StoreAway, StoreFailed, StoreLocked
from bridge.model import Answer, DeliveryState
from bridge.store.apply import apply
from bridge.store.commands import HoldLeases, PurgeCaptures, PurgeEvents, ReserveNumbers
from bridge.store.postgres.connection import WRITING, Server
from bridge.store.postgres.restored import open_epoch
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later


def opened(at: Server) -> PostgresStore:
    return PostgresStore(at)


def test_what_was_under_way_waits_for_a_person_under_a_new_epoch(at: Server) -> None:
    """As on SQLite: queued, unborn and unjudged; nothing is due, and the history says so."""
    store = opened(at)
    old = store.epoch
    s.post(store, "A1", lane="1")
    s.post(store, "A2", lane="2", born=False)
    s.keep(store, b"not judged")
    store.close()
    done = open_epoch(at, now=later(60))
    assert (done.taken_at, done.reviewed.deliveries, done.reviewed.captures, done.reviewed.old_epoch) == (NOW, 2, 1, old)
    store = opened(at)
    assert store.epoch == done.reviewed.epoch != old
    assert [s.states(store, name)["records"] for name in ("A1", "A2")] == [DeliveryState.UNSURE, DeliveryState.UNMADE]
    assert s.heads(store, now=later(600)) == []
    assert sorted(stop.rule for stop in store.stops()) == ["restore.unjudged", "restore.unsure", "restore.unsure"]
    store.close()


def test_a_process_at_work_is_named(at: Server) -> None:
    """A new epoch under a running service would mix identities."""
    opened(at).close()
    session = at.connect(WRITING)
    session.execute(
        "INSERT INTO processes (owner, roles, host, pid, wishes, seen_until) VALUES ('o', 'delivery', 'bench-pc', 77, '', '9999')"
    )
    with pytest.raises(
        StoreLocked, match=r"^Process 77 on bench-pc has the database .* open\. Stop every Padpost on it first\.$"
    ):
        open_epoch(at, now=later(60))
    session.close()


def test_a_process_that_begins_to_work_at_that_moment_is_seen(at: Server, postgres: PostgresServer, database: str) -> None:
    """Its first heartbeat is being committed: waited for, and then named; or else it would send what is put before a person here."""
    opened(at).close()
    starting = at.connect(WRITING)
    starting.execute("BEGIN")
    beat = HoldLeases(
        owner="o", roles=frozenset(), host="bench-pc", pid=77, wishes=frozenset(), wound_up=frozenset(), length_s=60.0, at=NOW
    )  # fmt: skip
    apply(starting, beat)
    with ThreadPoolExecutor() as pool:
        opening = pool.submit(open_epoch, at, now=later(60))
        PostgresServer.until(lambda: postgres.sql("SELECT count(*) FROM pg_locks WHERE NOT granted", database) == [(1,)])
        starting.execute("COMMIT")
        with pytest.raises(StoreLocked, match=r"^Process 77 on bench-pc has the database"):
            opening.result(WAIT)
    starting.close()


def test_a_server_that_is_not_there_is_told(postgres: PostgresServer) -> None:
    """With the name of the database."""
    with pytest.raises(StoreAway, match=r"^The database .*nowhere.* cannot be used \("):
        open_epoch(Server(url=postgres.url("nowhere")), now=later(60))


def test_the_purge_and_its_triggers_on_a_server(at: Server) -> None:
    """The one change that a capture may meet, and events behind the mark only, by the database's own rule."""
    store = opened(at)
    recorded = s.post(store, "A1")
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    found = store.old_captures(before=later(1), results=True, after=0, limit=9)
    assert store.submit(PurgeCaptures(capture_ids=found.ids, results=True, at=later(60))).result(WAIT) == 2
    detail = store.result("A1")
    assert detail is not None
    assert (detail.result, detail.strip.purged_at, detail.deliveries[0][0].lane) == (None, later(60), "")
    events = store.old_events(before=later(1), after=0, limit=99)
    assert len(events.ids) > 0
    session = at.connect(WRITING)
    for statement in (
        "UPDATE captures SET purged_at = '2027'",
        "DELETE FROM captures",
        "DELETE FROM events",
        "UPDATE events SET reason = ''",
    ):
        with pytest.raises(Exception, match="are append-only"):
            session.execute(statement)
    session.close()
    assert store.submit(PurgeEvents(event_ids=events.ids, before=later(1), at=later(60))).result(WAIT) == len(events.ids)
    store.close()


def test_two_processes_that_purge_at_once_keep_the_proof(at: Server, postgres: PostgresServer, database: str) -> None:
    """Each sweeps by itself: the second waits for the first, and finds nothing left. What it read before would make the digest nothing."""
    store = opened(at)
    recorded = s.post(store, "A1")
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    (capture,) = store.old_captures(before=later(1), results=False, after=0, limit=9).ids
    store.submit(PurgeCaptures(capture_ids=(capture,), results=False, at=later(60))).result(WAIT)
    command = PurgeCaptures(capture_ids=(capture,), results=True, at=later(60))
    other = at.connect(WRITING)
    other.execute("BEGIN")
    assert apply(other, command) == 1
    purging = store.submit(command)
    PostgresServer.until(lambda: postgres.sql("SELECT count(*) FROM pg_locks WHERE NOT granted", database) == [(1,)])
    other.execute("COMMIT")
    other.close()
    assert purging.result(WAIT) == 0
    (row,) = store.deliveries("A1")
    assert row.payload_digest == hashlib.sha256(b"MSH|A1rec\r").hexdigest()
    store.close()


def test_a_process_that_had_the_database_open_makes_nothing_under_the_old_epoch(at: Server) -> None:
    """One that had not beaten yet is not seen by the restore; its first number is refused, with the remedy."""
    early = PostgresStore(at)
    open_epoch(at, now=NOW)
    said = early.submit(ReserveNumbers(count=1, epoch=early.epoch)).exception(WAIT)
    assert isinstance(said, StoreFailed)
    assert "start it again" in str(said)
    early.close()
    late = PostgresStore(at)
    assert late.submit(ReserveNumbers(count=1, epoch=late.epoch)).exception(WAIT) is None
    late.close()
