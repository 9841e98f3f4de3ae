"""From the site's settings to a server: secrets, wrong URLs, and what `padpost check` says."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.errors import SettingsError, StoreAway
from bridge.settings import Database, Secret
from bridge.store.postgres.opening import database_faults, open_database, server_of
from tests.peers.postgres import PostgresServer
from tests.store import strips as s

ROOT = Path(__file__).parents[3]


def test_the_password_comes_from_where_the_settings_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is read when the store opens; what is missing is told with the key's place."""
    database = Database(url="postgresql://pad@db/results", password=Secret(env="PADPOST_TEST_DB"))
    monkeypatch.setenv("PADPOST_TEST_DB", "s3cret")
    assert server_of(database).password == "s3cret"
    monkeypatch.delenv("PADPOST_TEST_DB")
    with pytest.raises(SettingsError, match="The secret PADPOST_TEST_DB is not set") as told:
        server_of(database)
    assert told.value.path == ("database", "password", "env")
    assert server_of(Database(url="postgresql://pad@db/results")).password == ""


def test_a_url_that_the_library_does_not_take_is_told_with_its_key() -> None:
    """In libpq's words, without a trace."""
    with pytest.raises(SettingsError, match=r"The URL is not one that PostgreSQL's library takes: .*no_such_word") as told:
        server_of(Database(url="postgresql://db/results?no_such_word=1"))
    assert told.value.path == ("database", "url")


def test_a_store_opens_on_an_empty_database(postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """The first start makes the tables; the second finds them, and what was kept."""
    database = Database(url=postgres.url(make_database()))
    store = open_database(database)
    kept, epoch = s.keep(store), store.epoch
    store.close()
    store = open_database(database)
    assert (store.capture(kept).capture_id, store.epoch) == (kept, epoch)
    store.close()


def test_a_database_that_works_has_no_faults_and_gets_no_tables(
    postgres: PostgresServer, make_database: Callable[..., str]
) -> None:
    """Checking writes nothing."""
    name = make_database()
    assert list(database_faults(Database(url=postgres.url(name)))) == []
    assert postgres.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", name) == [(0,)]


def test_a_database_that_nobody_reaches_is_told() -> None:
    """At a port where nobody listens: by check, and by the start."""
    database = Database(url="postgresql://pad@127.0.0.1:1/results")
    (fault,) = database_faults(database)
    assert fault.startswith("The database 127.0.0.1:1/results cannot be reached (connection failed: ")
    assert fault.endswith("). Start it, or mend the URL and the role's password.")
    with pytest.raises(
        StoreAway, match=r"^The database 127\.0\.0\.1:1/results cannot be reached \(connection failed: .*Start it, or mend"
    ):
        open_database(database)


def test_who_has_no_server_loads_no_driver() -> None:
    """The whole program, put together in a process of its own: start-up and memory of the SQLite way do not pay."""
    look = "import sys, bridge.app, bridge.cli.main; print('psycopg' in sys.modules, 'bridge.store.postgres' in sys.modules)"
    assert (
        subprocess.run([sys.executable, "-c", look], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        == "False False\n"
    )
