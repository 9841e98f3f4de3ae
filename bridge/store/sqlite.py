"""The embedded store: one SQLite file, one writing process, write-ahead log with an fsync at every commit."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import datetime
from functools import partial
from pathlib import Path

import structlog

from bridge.errors import StoreFailed
from bridge.store.apply import apply, begin_store, recover
from bridge.store.database import SqliteDb, commit
from bridge.store.file_check import WholeCheck, at_start
from bridge.store.lock import ProcessLock, network_mount
from bridge.store.mark import Mark, is_behind, is_left, mark_of, read_mark, write_mark
from bridge.store.migrate import migrate
from bridge.store.reads import Reads
from bridge.store.review import newest_moment, review
from bridge.store.writer import Verdict, Writer, Written

log = structlog.get_logger()

FILE = "padpost.sqlite"
LOCK = "padpost.lock"
RESTORING = "padpost.restoring"  # stands in the folder while a backup is being put in place
CHANGES_A_MOVE = 1000  # ours: rows written between two moves of the log into the file; some 4 MB of log, SQLite's own measure
CACHE_KIB = 16_384  # ours: the upper pages of every index of a million strips; SQLite's own 2,000 KiB hold a third of them
# What SQLite says of one statement and its values alone; its other errors concern the file (PEP 249's classes)
_OF_ONE = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError)


class SqliteStore(Reads, Written):
    """A store in the folder ``path``; implements ``api.Store``.

    Opening takes the process lock, migrates the schema, checks the file, puts before a person what was under way if the file went back
    behind its mark, and makes due again what a crash left in the middle of an attempt. Raises StoreLocked, or StoreFailed where the folder or file cannot be relied on.
    """

    def __init__(self, path: Path, *, now: Callable[[], datetime]) -> None:
        _make_folder(path)
        mounts = Path("/proc/mounts")
        kind = network_mount(path, mounts.read_text(encoding="utf-8")) if mounts.exists() else ""
        if kind:
            raise StoreFailed(f"{path} is on a network mount ({kind}), where a commit cannot be relied on. Use a local disk.")
        self._lock = ProcessLock(path / LOCK)
        self._file = path / FILE
        self._local = threading.local()
        self._readers: list[SqliteDb] = []
        self._db = self._reader
        with ExitStack() as undo:  # a store that does not open leaves no lock behind
            undo.callback(self._lock.release)
            _require_no_restore(path)
            self._open(path, now)
            undo.pop_all()
        self._writer = Writer(SqliteEngine(self._connect, partial(write_mark, path)), apply)
        self._whole_check = WholeCheck(self._file, self._writer.stop)

    def _open(self, folder: Path, now: Callable[[], datetime]) -> None:
        try:
            migrate(self._file)
            connection = self._connect()
            verdict = at_start(connection, self._file.stat().st_size)
            if verdict:
                raise StoreFailed(f"The store {self._file} is damaged ({verdict}). Restore it from a backup.")
            connection.execute("BEGIN IMMEDIATE")
            self._epoch = begin_store(connection)
            if _went_back(connection, folder):
                self._epoch = _put_before_a_person(connection, now())
            recover(connection, now())
            commit(connection)
            write_mark(folder, mark_of(connection))
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()  # what a crash left in the log
            connection.close()
        except sqlite3.Error as error:
            raise StoreFailed(
                f"The store {self._file} cannot be opened: {error}. Check the disk and the rights of its folder."
            ) from error
        _sync(folder)  # the new files' names must survive a power cut as well as their bytes

    def _connect(self) -> SqliteDb:
        return connect(self._file)

    def _reader(self) -> SqliteDb:
        """Give this thread's reading connection."""
        connection: SqliteDb | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = sqlite3.connect(self._file, isolation_level=None, timeout=30, check_same_thread=False, factory=SqliteDb)
            connection.execute("PRAGMA query_only = ON")
            self._local.connection = connection
            self._readers.append(connection)
        return connection

    @property
    def is_shared(self) -> bool:
        """Say no: this process has the file alone, by its lock."""
        return False

    def listen(self, heard: Callable[[str], None]) -> None:
        """Hear of nothing: no other process writes here, and this one wakes itself."""

    async def look_through(self) -> None:
        """Check the whole file, where the start could not: once, beside the work. What it finds stops the store (``fault``)."""
        await self._whole_check.run()

    def close(self) -> None:
        """Finish what was submitted, then let go of the file."""
        self._whole_check.end()
        self._writer.close()
        for connection in self._readers:
            connection.close()
        self._lock.release()


def _require_no_restore(folder: Path) -> None:
    """Raise StoreFailed where a restore was cut short: what lies there may be neither the old store nor the new one."""
    if (folder / RESTORING).exists():
        raise StoreFailed(
            f"A restore into {folder} was cut short. Run the same padpost restore command again, then start Padpost."
        )


def _went_back(connection: SqliteDb, folder: Path) -> bool:
    mark = read_mark(folder)
    return mark is not None and is_behind(mark_of(connection), mark, is_reviewed=is_left(connection, mark.epoch))


def _put_before_a_person(connection: SqliteDb, now: datetime) -> str:
    """Do for a store that went back what ``padpost restore --in-place`` does; give its new epoch."""
    reviewed = review(connection, now=now, taken_at=newest_moment(connection) or now)
    log.warning("store.put_back", deliveries=reviewed.deliveries, captures=reviewed.captures)
    return reviewed.epoch


def connect(file: Path) -> SqliteDb:
    """Give a connection that writes."""
    connection = sqlite3.connect(file, isolation_level=None, timeout=30, factory=SqliteDb)
    connection.execute("PRAGMA journal_mode = WAL")
    # an fsync at every commit: NORMAL loses acknowledged strips in a power cut
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA wal_autocheckpoint = 0")  # the writer does it, and hears of its errors
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA secure_delete = ON")  # what is purged is gone from the file, not only from its tables
    return connection


class SqliteEngine:
    """A file as the writer uses it; implements ``writer.Engine``."""

    def __init__(self, connect: Callable[[], SqliteDb], mark: Callable[[Mark], None] | None = None) -> None:
        """``mark`` is given how far the store has come, now and then and at the end."""
        self._connect = connect
        self._mark = mark
        self._connection: SqliteDb | None = None
        self._move_at = CHANGES_A_MOVE

    def open(self) -> SqliteDb:
        """Open the file."""
        self._connection = self._connect()
        return self._connection

    def close(self) -> None:
        """Close the file."""
        if self._connection is not None:
            self._note_mark()
            self._connection.close()

    def begin(self, *, together: bool) -> None:
        """Begin to write; no other connection can until the end."""
        self._db.standing = set() if together else None
        self._db.execute("BEGIN IMMEDIATE")

    def must_stand(self) -> None:
        """Do nothing: a file is there until it fails."""

    def commit(self) -> None:
        """Commit, with an fsync."""
        self._db.settle()
        self._db.standing = None
        self._db.execute("COMMIT")

    def undo(self) -> None:
        """Roll back, unless SQLite has done so itself."""
        if self._connection is None:
            return
        self._connection.forget()
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def tidy(self) -> None:
        """Move the log into the file when it has grown; an fsync that fails in it stops the writer.

        SQLite would do this by itself, but passes over its errors and syncs again after some later commit. A full
        disk is none: the log keeps everything until there is room.
        """
        if self._db.total_changes < self._move_at:
            return
        self._move_at = self._db.total_changes + CHANGES_A_MOVE
        self._note_mark()
        try:
            self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        except sqlite3.Error as error:
            if self.verdict(error) is not Verdict.FULL:
                raise

    def _note_mark(self) -> None:
        if self._mark is None:
            return
        with suppress(sqlite3.Error):  # a file that fails is told of where it is written
            if not self._db.in_transaction:  # what is not committed yet is not counted
                self._mark(mark_of(self._db))

    def verdict(self, error: Exception) -> Verdict:
        """Judge an error of SQLite by its class and code; want of memory is the machine's."""
        if isinstance(error, MemoryError):
            return Verdict.BROKEN
        if not isinstance(error, sqlite3.Error) or isinstance(error, _OF_ONE):
            return Verdict.ONE
        return Verdict.FULL if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL else Verdict.BROKEN

    def told(self, error: Exception) -> Exception:
        """Give the error as it is."""
        return error

    def name(self, error: Exception) -> str:
        """Give SQLite's own name of an error."""
        return str(getattr(error, "sqlite_errorname", "") or str(error) or type(error).__name__)

    @property
    def _db(self) -> SqliteDb:
        assert self._connection is not None
        return self._connection


def _make_folder(path: Path) -> None:
    """Make ``path`` durably: a new folder's name stands in its parent, and a power cut that takes it takes all that is in it."""
    new = [folder for folder in path.parents if not folder.exists()]
    path.mkdir(parents=True, exist_ok=True)
    _sync(path.parent)  # at every start: the last one may have been killed between making and syncing
    for folder in new:
        _sync(folder.parent)


def _sync(folder: Path) -> None:
    """Make the names in ``folder`` durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
