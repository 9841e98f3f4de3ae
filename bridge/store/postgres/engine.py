"""PostgreSQL as the writer uses it, and what its errors mean."""

from __future__ import annotations

from collections.abc import Callable

import psycopg
from psycopg import errors

from bridge import clock
from bridge.errors import Overtaken, StoreAway
from bridge.store.postgres.connection import WRITING, PostgresDb, Server
from bridge.store.writer import Verdict

# PostgreSQL documentation, Appendix A "Error Codes". Whole codes first, then classes (the first two characters).
CODES = {
    "23505": Verdict.MET,  # unique_violation
    "40001": Verdict.AGAIN,  # serialization_failure
    "40P01": Verdict.AGAIN,  # deadlock_detected
    "55P03": Verdict.AGAIN,  # lock_not_available
    "57014": Verdict.AGAIN,  # query_canceled
    "53100": Verdict.FULL,  # disk_full
    "42501": Verdict.AWAY,  # insufficient_privilege: the role lost a right, whoever asks
    "XX001": Verdict.BROKEN,  # data_corrupted
    "XX002": Verdict.BROKEN,  # index_corrupted
    "40003": Verdict.AWAY,  # statement_completion_unknown
}
CLASSES = {
    "08": Verdict.AWAY,  # connection exception
    "25": Verdict.AWAY,  # invalid transaction state: read only since a failover, or idle too long
    "28": Verdict.AWAY,  # invalid authorization
    "40": Verdict.AGAIN,  # transaction rollback
    "3D": Verdict.AWAY,  # invalid catalog name: no such database
    "53": Verdict.AWAY,  # insufficient resources
    "57": Verdict.AWAY,  # operator intervention: shutdown, crash, starting up
    "58": Verdict.AWAY,  # system error: the server's disk
    "F0": Verdict.AWAY,  # configuration file error
}
LIMITS = "54"  # program limit exceeded: of one statement and its values; at a commit, that the queue of notifications is full


class CrowdedError(Exception):
    """A commit that the server did not take for one of its limits: that of its notifications, say. Nothing was written; it passes."""


def verdict_of(error: Exception) -> Verdict:
    """Say what an error of the driver or the server means; one without a code is the connection's."""
    if isinstance(error, StoreAway | MemoryError):
        return Verdict.AWAY
    if isinstance(error, CrowdedError):
        return Verdict.AGAIN
    if not isinstance(error, psycopg.Error):
        return Verdict.ONE
    code = error.sqlstate
    if code is None:
        return Verdict.AWAY if isinstance(error, psycopg.OperationalError | psycopg.InterfaceError) else Verdict.ONE
    return CODES.get(code) or CLASSES.get(code[:2], Verdict.ONE)


def name_of(error: Exception) -> str:
    """Name an error: the server's word for its code, else the first line of what the driver says. Holds none of a row's values."""
    if isinstance(error, psycopg.Error) and error.sqlstate:
        return errors.lookup(error.sqlstate).__name__
    return str(error).partition("\n")[0][:200] or type(error).__name__


class PostgresEngine:
    """One writing session; implements ``writer.Engine``."""

    def __init__(self, server: Server, check: Callable[[PostgresDb], None]) -> None:
        """``check`` looks at each new session; it raises StoreAway where it may not be written through."""
        self._server = server
        self._check = check
        self._session: PostgresDb | None = None
        self._is_apart = False
        self._committed_s: float | None = None
        self.backend = 0

    def open(self) -> PostgresDb:
        """Connect, and look whether this server can be relied on. Raises psycopg.Error or StoreAway."""
        session = self._server.connect(WRITING)
        self._session = session
        session.connection.prepare_threshold = None  # what the driver prepares it forgets at a ROLLBACK, and what is ours with it
        self.backend = session.connection.info.backend_pid
        try:
            self._check(session)
        except Exception:
            self.close()
            raise
        return session

    def close(self) -> None:
        """End the session."""
        if self._session is not None:
            self._session.close()
            self._session = None

    def begin(self, *, together: bool) -> None:
        """Begin; ``together``, statements are sent when somebody asks for rows."""
        self._is_apart = not together
        self._db.begin(ahead=together)

    def must_stand(self) -> None:
        """Look whether the server has ended the session."""
        self._db.must_stand()

    def commit(self) -> None:
        """Commit, and with it tell who has news. Raises CrowdedError where the commit itself meets a limit of the server."""
        try:
            self._db.commit()
        except psycopg.Error as error:
            if self._is_apart and (error.sqlstate or "").startswith(LIMITS):  # else it may be of a statement that was sent ahead
                raise CrowdedError(name_of(error)) from error
            raise
        self._committed_s = clock.elapsed()

    @property
    def quiet_s(self) -> float:
        """Give for how many seconds nothing was committed, 0 where nothing ever was: how long the server was away, as this process saw it."""
        return 0 if self._committed_s is None else clock.elapsed() - self._committed_s

    def undo(self) -> None:
        """Roll back."""
        self._db.undo()

    def tidy(self) -> None:
        """Do nothing: the server looks after itself."""

    def verdict(self, error: Exception) -> Verdict:
        """Judge by the error's code."""
        return verdict_of(error)

    def told(self, error: Exception) -> Exception:
        """Give the error without the row that it may quote: it may end in a log."""
        if isinstance(error, errors.UniqueViolation):
            return Overtaken(f"The same was recorded already ({error.diag.constraint_name}). Look again.")
        return type(error)(name_of(error)) if isinstance(error, psycopg.Error) else error

    def name(self, error: Exception) -> str:
        """Name an error."""
        return name_of(error)

    @property
    def _db(self) -> PostgresDb:
        assert self._session is not None
        return self._session
