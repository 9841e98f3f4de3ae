"""Schemas on PostgreSQL: from every released one to the newest, whole or not at all, by one process at a time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import NullPool, create_engine

from bridge.errors import StoreFailed
from bridge.store import migrate as module
from bridge.store.migrate import NEWEST, bring_forward
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from bridge.store.schema import metadata
from tests.peers.postgres import PostgresServer
from tests.store import strips as s

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


def test_processes_that_start_at_once_migrate_once(postgres: PostgresServer, empty: Server) -> None:
    """Four at the same moment: one makes the tables, the others wait for it and find nothing to do."""
    go, faults = threading.Barrier(4), []

    def start() -> None:
        go.wait(s.WAIT)
        try:
            bring_forward("", empty.shown(), empty.conninfo)
        except Exception as fault:
            faults.append(fault)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(s.WAIT)
    assert faults == []
    assert postgres.sql("SELECT version_num FROM alembic_version", name_of(empty)) == [(NEWEST,)]


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
