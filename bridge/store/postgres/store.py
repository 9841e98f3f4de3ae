"""The store on a PostgreSQL server: the same commands and tables; one writing session with group commit a process."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack

import psycopg

from bridge.errors import StoreAway, StoreFailed, StoreLocked
from bridge.store.apply import apply, begin_store
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.migrate import NEWEST, bring_forward
from bridge.store.postgres.checks import must_be_fit
from bridge.store.postgres.connection import WRITING, PostgresDb, Server
from bridge.store.postgres.engine import PostgresEngine, name_of
from bridge.store.postgres.lineage import epoch_here, server_time
from bridge.store.postgres.listener import Listener
from bridge.store.postgres.readers import Readers
from bridge.store.reads import Reads
from bridge.store.writer import Writer, Written


class PostgresStore(Reads, Written):
    """A store in the database ``server``; implements ``api.Store``.

    Any number of processes may open it; leases say which does what, and whoever takes a destination makes due again what was being sent.
    Opening migrates the schema and looks whether the server keeps what it commits. Raises StoreAway while the server cannot be reached,
    StoreFailed where the database cannot be relied on.
    """

    def __init__(self, server: Server) -> None:
        self._server = server
        self._listener: Listener | None = None
        self._fit = must_be_fit(server.shown())
        engine = PostgresEngine(server, self._check)
        try:
            session = server.connect(WRITING)
            with ExitStack() as undo:
                undo.callback(session.close)
                self._open(session)
        except psycopg.Error as error:
            where = server.shown()
            if isinstance(error, psycopg.OperationalError):
                raise StoreAway(
                    f"The database {where} cannot be reached ({name_of(error)}). Start it, or mend the URL."
                ) from error
            raise StoreFailed(f"The database {where} cannot be used ({name_of(error)}). Check the role's rights.") from error
        self._readers = Readers(server)
        self._db = lambda: self._readers
        self._engine = engine
        self._writer = Writer(engine, apply)

    def _open(self, session: PostgresDb) -> None:
        try:
            self._fit(session)
        except StoreAway as error:
            raise StoreFailed(str(error)) from error
        found = revision(session)
        if found not in {"", NEWEST}:
            _must_be_alone(session, self._server.shown())
        bring_forward(found, self._server.shown(), self._server.conninfo)
        session.execute("BEGIN")
        begin_store(session)
        session.execute("COMMIT")
        self._epoch = epoch_here(session)

    def _check(self, session: Db) -> None:
        """Look whether the server of a new writing session can be relied on, and is the one that the store was on before."""
        self._fit(session)
        if revision(session) != NEWEST:
            raise StoreAway(f"The database {self._server.shown()} has another schema now. Start the Padpost that changed it.")
        self._epoch = epoch_here(session, quiet_s=self._engine.quiet_s)

    @property
    def is_shared(self) -> bool:
        """Say yes: any number of processes may."""
        return True

    def listen(self, heard: Callable[[str], None]) -> None:
        """Call ``heard``, from a thread of its own, with each name that another process told; "" for "look everywhere"."""
        self._listener = Listener(self._server, heard, own=lambda: (self._engine.backend,))

    async def look_through(self) -> None:
        """Do nothing: the server has checksums and tools of its own."""

    def close(self) -> None:
        """Finish what was submitted, then let go of the server."""
        if self._listener is not None:
            self._listener.close()
        self._writer.close()
        self._readers.close()


def _must_be_alone(db: Db, where: str) -> None:
    """Let no process of an older program work on while the schema changes under it. Raises StoreLocked."""
    if db.execute("SELECT to_regclass('processes')").fetchone()[0] is None:
        return
    alive = "SELECT pid, host FROM processes WHERE seen_until > ? ORDER BY owner LIMIT 1"
    other = db.execute(alive, (when(server_time(db)),)).fetchone()
    if other is not None:
        raise StoreLocked(
            f"The database {where} needs a new schema, and process {other[0]} on {other[1]} works on it. Stop every Padpost there first."
        )


def revision(db: Db) -> str:
    """Give the schema revision of a database, "" for none yet."""
    if db.execute("SELECT to_regclass('alembic_version')").fetchone()[0] is None:
        return ""
    row = db.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(row[0]) if row else ""
