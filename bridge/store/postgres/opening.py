"""From the site's settings to a store on a server, and to what `padpost check` says of that server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager

import psycopg

from bridge import settings
from bridge.errors import SettingsError, StoreAway
from bridge.store.database import Db
from bridge.store.postgres.checks import unfit
from bridge.store.postgres.connection import READING, Server
from bridge.store.postgres.engine import name_of
from bridge.store.postgres.store import PostgresStore


def server_of(database: settings.Database) -> Server:
    """Give the way to a site's database. Raises SettingsError if the URL is none or the password cannot be read."""
    try:
        server = Server(url=database.url, password=database.password.value() if database.password else "")
    except SettingsError as error:
        raise SettingsError(error.sentence, remedy=error.remedy, path=("database", "password", "env")) from error
    try:
        server.conninfo()
    except psycopg.ProgrammingError as error:
        raise SettingsError(
            f"The URL is not one that PostgreSQL's library takes: {name_of(error)}.",
            remedy="Write postgresql://role@host:5432/name, and its parameters as PostgreSQL's documentation of libpq names them.",
            path=("database", "url"),
        ) from error
    return server


def open_database(database: settings.Database) -> PostgresStore:
    """Open the store. Raises SettingsError or StoreError."""
    return PostgresStore(server_of(database))


@contextmanager
def looked_at(database: settings.Database) -> Iterator[Db]:
    """Give a session that only reads. Raises SettingsError, or StoreAway where the server cannot be reached."""
    server = server_of(database)
    try:
        session = server.connect(f"{READING}; SET statement_timeout = 0")  # a look through years takes its time
    except psycopg.Error as error:
        raise StoreAway(
            f"The database {server.shown()} cannot be reached ({name_of(error)}). Start it, or mend the URL."
        ) from error
    with closing(session):
        yield session


def database_faults(database: settings.Database) -> Iterator[str]:
    """Give a sentence for each thing that keeps the store from working on this database; nothing is written there."""
    server = server_of(database)
    try:
        session = server.connect(READING)
    except psycopg.Error as error:
        yield f"The database {server.shown()} cannot be reached ({name_of(error)}). Start it, or mend the URL and the role's password."
        return
    with closing(session):
        yield from unfit(session)
