"""The sessions that read: a few, shared by all threads, each used by one thread at a time."""

from __future__ import annotations

import queue
import threading
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import datetime
from typing import Any

import psycopg

from bridge.errors import StoreAway, StoreFailed
from bridge.store.chain import Chain
from bridge.store.database import Rows
from bridge.store.postgres.connection import READING, PostgresDb, Server
from bridge.store.postgres.engine import name_of, verdict_of
from bridge.store.writer import Verdict

SESSIONS = 4  # ours: pages and loops of one process; a server has a hundred for all (PostgreSQL's default of max_connections)


class Readers:
    """Implements ``database.Db`` for reading. A statement borrows a session; from BEGIN to COMMIT the thread keeps it.

    Every method raises StoreAway while the server cannot be reached. A session that the server has ended meanwhile is replaced without
    a word, unless a transaction was open in it.
    """

    for_update = ""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._kept = threading.local()
        self._closed = False
        self.known: dict[object, int] = {}  # as these three are in every Db; nothing is written here, and nothing needs them
        self.standing: set[object] | None = None
        self.chain = Chain()
        self._free: queue.LifoQueue[PostgresDb | None] = queue.LifoQueue()
        for _ in range(SESSIONS):
            self._free.put(None)

    @property
    def in_transaction(self) -> bool:
        """Say whether this thread keeps a session."""
        return getattr(self._kept, "session", None) is not None

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> Rows:
        """Do one statement."""
        if self._closed:
            raise StoreFailed("The store is closed.")
        kept: PostgresDb | None = getattr(self._kept, "session", None)
        try:
            if kept is None:
                session, rows = self._run(sql, values)
                if sql == "BEGIN":
                    self._kept.session = session
                else:
                    self._give_back(session)
                return rows
            if sql != "COMMIT":
                return kept.execute(sql, values)
            self._kept.session = None
            try:
                return kept.execute(sql)
            finally:
                self._give_back(kept)
        except psycopg.Error as error:
            if verdict_of(error) is Verdict.ONE:
                raise
            raise StoreAway(f"The database cannot be read ({name_of(error)}). Try again.") from error

    def insert(self, sql: str, values: Sequence[Any], /) -> int:
        """Do it like any statement: a session that reads refuses it. Raises psycopg.Error."""
        return int(self.execute(f"{sql} RETURNING id", values).fetchone()[0])

    def append(self, sql: str, values: Sequence[Any], /) -> None:
        """Do it like any statement, as ``insert``."""
        self.execute(sql, values)

    def settle(self) -> None:
        """Settle nothing: nothing is appended here."""

    def hold(self, name: str) -> None:
        """Hold nothing: nothing is changed here."""

    def tell(self, name: str) -> None:
        """Tell nothing: nothing is changed here."""

    def time(self, given: datetime) -> datetime:  # noqa: ARG002 - one process's own clock is not asked here
        """Give the server's clock."""
        now: datetime = self.execute("SELECT clock_timestamp()").fetchone()[0]
        return now

    def close(self) -> None:
        """End every session, once those that are in use are free; whoever asks afterwards is told."""
        self._closed = True
        sessions = [self._free.get() for _ in range(SESSIONS)]
        for session in sessions:
            if session is not None:
                session.close()
            self._free.put(None)

    def _run(self, sql: str, values: Sequence[Any]) -> tuple[PostgresDb, Rows]:
        """Do a statement on a session that is free, or on a new one where the server has ended that; give both."""
        session = self._free.get()
        is_new = session is None
        with ExitStack() as undo:  # whatever ends this early, the place is free again
            undo.callback(lambda: self._give_back(session))
            session = session or self._server.connect(READING)
            try:
                rows = session.execute(sql, values)
            except psycopg.Error as error:
                if is_new or verdict_of(error) is not Verdict.AWAY:
                    raise
                session.close()
                session = self._server.connect(READING)
                rows = session.execute(sql, values)
            undo.pop_all()
            return session, rows

    def _give_back(self, session: PostgresDb | None) -> None:
        if session is not None and (session.connection.closed or session.in_transaction):
            session.close()
            session = None
        self._free.put(session)
