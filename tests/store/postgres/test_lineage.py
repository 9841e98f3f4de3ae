"""After a failover or a restore no identifier is given twice: shown on a server that becomes its own standby and is promoted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from bridge import clock
from bridge.store.commands import ReserveNumbers
from bridge.store.postgres.checks import unfit
from bridge.store.postgres.connection import WRITING, Server
from bridge.store.postgres.lineage import LEAP, epoch_here, was_put_back
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later


def test_a_store_that_stays_where_it_is_keeps_its_epoch(at: Server) -> None:
    """However often it is opened, and by however many."""
    epochs = set()
    for _ in range(3):
        store = PostgresStore(at)
        db = at.connect(WRITING)
        epochs |= {store.epoch, epoch_here(db)}
        db.close()
        assert store.events("store:epoch") == ()
        store.close()
    assert len(epochs) == 1


def test_a_failover_opens_a_new_epoch_in_every_process(own: PostgresServer) -> None:
    """Two processes live through it: both go on, under one new epoch, with numbers that nobody can have had."""
    at = Server(url=own.url())
    stores = [PostgresStore(at) for _ in range(2)]
    before = stores[0].epoch
    had = max(store.submit(ReserveNumbers(count=100)).result(WAIT) for store in stores)
    own.stop()
    own.start_as_standby()
    for store in stores:  # nothing can be written, and nobody takes the standby for the server
        own.until(lambda store=store: store.submit(ReserveNumbers(count=1)).exception(WAIT) is not None)  # type: ignore[misc]  # bound now
    standby = at.url + "?target_session_attrs=any"
    db = Server(url=standby).connect("")
    assert next(unfit(db)).startswith("The server is a standby, which takes no writes.")
    db.close()
    own.promote()
    for store in stores:
        own.until(lambda store=store: not store.away)  # type: ignore[misc]  # as above
    numbers = [store.submit(ReserveNumbers(count=100)).result(WAIT) for store in stores]
    assert min(numbers) >= had + LEAP
    assert len(set(numbers)) == 2
    after = {store.epoch for store in stores}
    assert len(after) == 1
    assert after != {before}
    (moved,) = stores[0].events("store:epoch")
    assert moved.what == "store.moved"
    before_, after_ = moved.before.split("/"), moved.after.split("/")
    assert (before_[1], after_[1]) == ("00000001", "00000002")
    assert (before_[0], before_[2]) == (after_[0], after_[2])
    for store in stores:
        assert s.keep(store)
        store.close()


def test_a_dump_put_back_into_the_same_server_opens_a_new_epoch(
    postgres: PostgresServer, make_database: Callable[..., str]
) -> None:
    """The table is made anew, as pg_restore makes it, with the counter of the dump: what was given since is not given again."""
    name = make_database()
    at = Server(url=postgres.url(name))
    store = PostgresStore(at)
    before = store.epoch
    given = store.submit(ReserveNumbers(count=100)).result(WAIT)
    store.close()
    postgres.sql(f"UPDATE meta SET value = '{given}' WHERE name = 'next_number'", name)  # as it was when the dump was taken
    postgres.sql(
        "CREATE TABLE dump AS TABLE meta; DROP TABLE meta; ALTER TABLE dump RENAME TO meta; ALTER TABLE meta ADD PRIMARY KEY (name)",
        name,
    )
    store = PostgresStore(at)
    assert store.epoch != before
    assert store.submit(ReserveNumbers(count=1)).result(WAIT) == given + LEAP
    store.close()


def test_a_copy_of_the_database_opens_a_new_epoch(postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """Two databases that went on under one epoch would give the same identifiers to different results."""
    name = make_database()
    store = PostgresStore(Server(url=postgres.url(name)))
    before = store.epoch
    store.close()
    postgres.sql(f"CREATE DATABASE {name}_copy TEMPLATE {name}")
    store = PostgresStore(Server(url=postgres.url(f"{name}_copy")))
    assert store.epoch != before
    store.close()
    postgres.sql(f"DROP DATABASE {name}_copy WITH (FORCE)")


HERE = "7000000000000000001/00000001/16384.16390"
NEXT = HERE.replace("/00000001/", "/00000002/")


@pytest.mark.parametrize(
    ("after", "quiet_minutes", "expected"),
    [
        (NEXT, 0, False),  # a standby took over
        (NEXT, 9 * 60, False),  # at night: mended in the morning, by somebody who lets a standby take over
        (NEXT, 25 * 60, True),  # recovered to a moment that is past
        (NEXT, None, True),
        (HERE.replace("70000", "70001"), 0, True),  # another cluster
        (HERE.replace("16384.", "16999."), 0, True),  # another database
        (HERE.replace(".16390", ".17000"), 0, True),  # tables made anew from a dump
    ],
)
def test_a_takeover_is_told_from_what_was_put_back(after: str, quiet_minutes: float | None, expected: bool) -> None:
    """Common practice, no source: a standby takes over within a night of the last commit; who restores a whole cluster has yesterday's."""
    alive_at = None if quiet_minutes is None else NOW - timedelta(minutes=quiet_minutes)
    assert was_put_back(HERE, after, alive_at=alive_at, at=NOW) is expected


def test_a_standby_that_takes_over_while_no_process_lives_stops_nothing(own: PostgresServer) -> None:
    """The server and Padpost went down together: what was queued goes on, under a new epoch, and no person has to look it up."""
    at = Server(url=own.url())
    store = PostgresStore(at)
    s.post(store, "1")
    s.keep(store, b"another", arrived_at=clock.now())  # a moment ago by the server's own clock
    before = store.epoch
    store.close()
    own.stop()
    own.start_as_standby()
    own.promote()
    store = PostgresStore(at)
    assert store.epoch != before
    assert len(store.lane_heads("records", now=later(600), limit=5)) == 1
    assert store.stops() == ()
    store.close()


def test_a_recovery_to_an_end_that_was_named_goes_to_a_person(own: PostgresServer) -> None:
    """However short ago: what came behind that end may have been sent (PostgreSQL documentation, "Recovery Target")."""
    at = Server(url=own.url())
    store = PostgresStore(at)
    s.post(store, "1")
    store.close()
    own.stop()
    own.start_as_standby()
    own.promote()
    own.stop()
    own.start("recovery_target_name=noon")  # as a recovery leaves it behind
    store = PostgresStore(at)
    assert store.lane_heads("records", now=later(600), limit=5) == ()
    assert [stop.rule for stop in store.stops()] == ["restore.unsure"]
    store.close()


def test_what_a_copy_had_under_way_goes_to_a_person(postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """Started without padpost restore --in-place: nothing of it is sent by itself, since the other database may go on sending it."""
    name = make_database()
    store = PostgresStore(Server(url=postgres.url(name)))
    s.post(store, "1")
    s.keep(store, b"unjudged")
    store.close()
    postgres.sql(f"CREATE DATABASE {name}_copy TEMPLATE {name}")
    copy = PostgresStore(Server(url=postgres.url(f"{name}_copy")))
    assert copy.lane_heads("records", now=later(60), limit=5) == ()
    assert copy.analyzers_with_work() == ()
    assert sorted(stop.rule for stop in copy.stops()) == ["restore.unjudged", "restore.unsure"]
    copy.close()
    postgres.sql(f"DROP DATABASE {name}_copy WITH (FORCE)")
    store = PostgresStore(Server(url=postgres.url(name)))
    assert len(store.lane_heads("records", now=later(60), limit=5)) == 1
    store.close()
