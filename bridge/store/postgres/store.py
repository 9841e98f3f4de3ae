"""The store on a PostgreSQL server: the same commands and tables; one writing session with group commit a process."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack

import psycopg

from bridge.errors import StoreAway, StoreFailed
from bridge.store.apply import apply, begin_store
from bridge.store.database import Db
from bridge.store.migrate import bring_forward
from bridge.store.postgres.checks import must_be_fit
from bridge.store.postgres.connection import WRITING, PostgresDb, Server
from bridge.store.postgres.engine import PostgresEngine, name_of
from bridge.store.postgres.listener import Listener
from bridge.store.postgres.readers import Readers
from bridge.store.reads_shown import ShownReads
from bridge.store.reads_work import WorkReads
from bridge.store.writer import Writer, Written


class PostgresStore(WorkReads, ShownReads, Written):
    """A store in the database ``server``; implements ``api.Store``.

    Opening migrates the schema and looks whether the server keeps what it commits. Any number of processes may open it: what each works
    on, and what a crash of another left in the middle of an attempt, is a matter of leases. Raises StoreAway while the server cannot
    be reached, StoreFailed where the database cannot be relied on.
    """

    def __init__(self, server: Server) -> None:
        self._server = server
        self._listener: Listener | None = None
        where = server.shown()
        fit = must_be_fit(where)
        engine = PostgresEngine(server, fit)
        try:
            session = server.connect(WRITING)
            with ExitStack() as undo:
                undo.callback(session.close)
                self._open(session, fit)
        except psycopg.Error as error:
            if isinstance(error, psycopg.OperationalError):
                raise StoreAway(
                    f"The database {where} cannot be reached ({name_of(error)}). Start it, or mend the URL."
                ) from error
            raise StoreFailed(f"The database {where} cannot be used ({name_of(error)}). Check the role's rights.") from error
        self._readers = Readers(server)
        self._db = lambda: self._readers
        self._engine = engine
        self._writer = Writer(engine, apply)

    def _open(self, session: PostgresDb, fit: Callable[[Db], None]) -> None:
        try:
            fit(session)
        except StoreAway as error:
            raise StoreFailed(str(error)) from error
        bring_forward(revision(session), self._server.shown(), self._server.conninfo)
        session.execute("BEGIN")
        self._epoch = begin_store(session)
        session.execute("COMMIT")

    @property
    def is_shared(self) -> bool:
        """Say yes: any number of processes may."""
        return True

    def listen(self, heard: Callable[[str], None]) -> None:
        """Call ``heard``, from a thread of its own, with each name that another process told; "" for "look everywhere"."""
        self._listener = Listener(self._server, heard, own=lambda: (self._engine.backend,))

    def close(self) -> None:
        """Finish what was submitted, then let go of the server."""
        if self._listener is not None:
            self._listener.close()
        self._writer.close()
        self._readers.close()


def revision(db: Db) -> str:
    """Give the schema revision of a database, "" for none yet."""
    if db.execute("SELECT to_regclass('alembic_version')").fetchone()[0] is None:
        return ""
    row = db.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(row[0]) if row else ""
