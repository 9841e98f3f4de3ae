"""Schemas on PostgreSQL: from every released one to the newest, whole or not at all, by one process at a time."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import NullPool, create_engine

from bridge.errors import StoreAway, StoreFailed, StoreLocked
from bridge.store import migrate as module
from bridge.store.migrate import NEWEST, bring_forward
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from bridge.store.schema import metadata
from tests.peers.postgres import PostgresServer
from tests.store import schema_0007
from tests.store import strips as s

ROOT = Path(__file__).parents[3]
OBJECTS = (
    "SELECT 'table', relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'i', 'S')"
    " UNION SELECT 'trigger', tgname FROM pg_trigger WHERE NOT tgisinternal"
)


@pytest.fixture
def empty(postgres: PostgresServer, make_database: Callable[..., str]) -> Server:
    """Give the way to a database without a schema."""
    return Server(url=postgres.url(make_database()))


def upgrade(server: Server, to: str) -> None:
    """Bring a database to an older schema, as an older Padpost left it."""
    config = Config()
    config.set_main_option("script_location", str(Path(module.__file__).parent / "migrations"))
    config.attributes["target"] = server.conninfo()
    command.upgrade(config, to)


def name_of(server: Server) -> str:
    return server.url.rpartition("/")[2]


def test_the_newest_schema_is_what_the_tables_declare(at: Server) -> None:
    """Alembic's own comparison of a migrated database with the declared tables finds nothing to do."""
    engine = create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(at.conninfo()), poolclass=NullPool)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    engine.dispose()


@pytest.mark.parametrize("released", ["0001", "0002"])
def test_a_store_of_an_older_schema_is_brought_forward(
    postgres: PostgresServer, empty: Server, database: str, released: str
) -> None:
    """It ends with the same tables, indexes and triggers as a new one, keeps what it had, and works."""
    upgrade(empty, released)
    name = name_of(empty)
    assert postgres.sql("SELECT version_num FROM alembic_version", name) == [(released,)]
    postgres.sql(
        "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, state, attempts, born_at, last_code)"
        " SELECT 'records', 'A', p, 'R' || n, 1, '', 'queued', 0, 'x', '' FROM (VALUES (1, 'routine'), (2, 'stat')) v (n, p)",
        name,
    )
    store = PostgresStore(empty)
    assert s.keep(store) == 1
    store.close()
    assert postgres.sql("SELECT id, is_head, rank FROM deliveries ORDER BY id", name) == [(1, 1, 0), (2, 0, 1)]
    assert postgres.sql("SELECT version_num FROM alembic_version", name) == [(NEWEST,)]
    assert sorted(postgres.sql(OBJECTS, name)) == sorted(postgres.sql(OBJECTS, database))


def test_a_store_of_schema_0007_says_the_same_in_fewer_words(postgres: PostgresServer, empty: Server) -> None:
    """As on a file: messages, table sets, events and the mark of the purge are moved, and the triggers stand again."""
    upgrade(empty, "0007")
    name = name_of(empty)
    for statement in schema_0007.statements(lambda content: f"'\\x{content.hex()}'"):
        postgres.sql(statement, name)
    postgres.sql("SELECT setval('captures_id_seq', 8, false), setval('events_id_seq', 10, false)", name)
    store = PostgresStore(empty)
    schema_0007.must_be_as_before(store, lambda query: postgres.sql(query, name))
    for harm in ("DELETE FROM events", "UPDATE events SET reason = ''"):
        with pytest.raises(Exception, match="events are append-only"):
            postgres.sql(harm, name)
    store.close()


def test_processes_that_start_at_once_migrate_once(postgres: PostgresServer, empty: Server) -> None:
    """Three at the same moment, held at the door until all are there: one makes the tables, the others find nothing to do."""
    name = name_of(empty)
    door = empty.connect("")
    door.execute("SELECT pg_advisory_lock(hashtextextended('padpost schema', 0))")
    start = f"from bridge.store.migrate import bring_forward; bring_forward('', 'here', lambda: {empty.conninfo()!r})"
    started = [subprocess.Popen([sys.executable, "-c", start], cwd=ROOT, stderr=subprocess.PIPE) for _ in range(3)]
    waiting = f"SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted AND database = (SELECT oid FROM pg_database WHERE datname = '{name}')"
    postgres.until(lambda: postgres.sql(waiting) == [(3,)])
    assert postgres.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", name) == [(0,)]
    door.close()
    assert [(child.communicate(timeout=s.WAIT)[1], child.returncode) for child in started] == [(b"", 0)] * 3
    assert postgres.sql("SELECT version_num FROM alembic_version", name) == [(NEWEST,)]


def test_the_schema_does_not_change_under_a_running_process(postgres: PostgresServer, empty: Server) -> None:
    """An older program that works on is told of first; once it has stopped, or was not seen any more, the step is done."""
    name = name_of(empty)
    upgrade(empty, NEWEST)
    postgres.sql("UPDATE alembic_version SET version_num = '0001'", name)  # as if there were steps to do
    soon, past = "9999-01-01T00:00:00.000000Z", "2026-01-01T00:00:00.000000Z"
    postgres.sql(
        f"INSERT INTO processes (owner, roles, host, pid, wishes, seen_until) VALUES ('a', 'web', 'ward-7', 77, '[]', '{soon}')",
        name,
    )
    with pytest.raises(
        StoreLocked, match=r"needs a new schema, and process 77 on ward-7 works on it\. Stop every Padpost there first\.$"
    ):
        PostgresStore(empty)
    postgres.sql(f"UPDATE processes SET seen_until = '{past}'", name)
    with pytest.raises(StoreFailed, match=r"cannot be used \(DuplicateTable\)"):  # the steps are begun
        PostgresStore(empty)
    postgres.sql(f"UPDATE alembic_version SET version_num = '{NEWEST}'", name)
    PostgresStore(empty).close()


def test_a_process_that_was_overtaken_by_a_newer_schema_writes_nothing_more(postgres: PostgresServer, empty: Server) -> None:
    """It finds out when it connects again; until a person acts it says why."""
    store = PostgresStore(empty)
    assert s.keep(store) == 1
    postgres.sql("UPDATE alembic_version SET version_num = '9999'", name_of(empty))
    postgres.sql(f"SELECT pg_terminate_backend({store._engine.backend}, 10000)")
    with pytest.raises(StoreAway, match=r"has another schema now\. Start the Padpost that changed it"):
        s.keep(store)
    store.close()


def test_a_step_that_fails_leaves_nothing_behind(postgres: PostgresServer, empty: Server) -> None:
    """What cannot be finished can be begun again once the cause is gone."""
    name = name_of(empty)
    postgres.sql("CREATE TABLE strips (x INTEGER)", name)
    with pytest.raises(Exception, match='relation "strips" already exists'):
        bring_forward("", empty.shown(), empty.conninfo)
    assert postgres.sql("SELECT tablename FROM pg_tables WHERE schemaname = 'public'", name) == [("strips",)]
    postgres.sql("DROP TABLE strips", name)
    bring_forward("", empty.shown(), empty.conninfo)
    assert postgres.sql("SELECT version_num FROM alembic_version", name) == [(NEWEST,)]


def test_a_store_of_a_newer_padpost_is_left_alone(postgres: PostgresServer, empty: Server) -> None:
    """An older program must not write into what it does not know."""
    PostgresStore(empty)
    postgres.sql("UPDATE alembic_version SET version_num = '9999'", name_of(empty))
    with pytest.raises(StoreFailed, match=r"was written by a newer Padpost \(schema 9999\)\. Install that version again"):
        PostgresStore(empty)
    assert postgres.sql("SELECT count(*) FROM events", name_of(empty)) == [(0,)]
