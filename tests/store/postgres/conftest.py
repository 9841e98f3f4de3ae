"""A database of the session's PostgreSQL server, emptied before each test; others for tests that need their own."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import pytest

from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store.postgres.emptied import EMPTY

_NAMES = itertools.count(1)


@pytest.fixture(scope="session")
def shared(postgres: PostgresServer) -> str:
    """Give a database with the newest schema."""
    postgres.sql("CREATE DATABASE shared TEMPLATE template0")
    PostgresStore(Server(url=postgres.url("shared")))
    return "shared"


@pytest.fixture
def database(postgres: PostgresServer, shared: str) -> str:
    """Give the name of a database with the newest schema and nothing in it."""
    postgres.sql(EMPTY, shared)
    return shared


@pytest.fixture
def make_database(postgres: PostgresServer) -> Iterator[Callable[..., str]]:
    """Give a function that makes a database without a schema and gives its name; they are dropped behind the test."""
    made = []

    def make(options: str = "") -> str:
        name = f"own_{next(_NAMES)}"
        postgres.sql(f"CREATE DATABASE {name} TEMPLATE template0 {options}")
        made.append(name)
        return name

    yield make
    for name in made:
        postgres.sql(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def at(postgres: PostgresServer, database: str) -> Server:
    """Give the way to the empty database."""
    return Server(url=postgres.url(database))


@pytest.fixture
def store(at: Server) -> Iterator[PostgresStore]:
    """Give an empty store on PostgreSQL."""
    opened = PostgresStore(at)
    yield opened
    opened.close()
