"""The embedded store: one SQLite file, one writing process, write-ahead log with an fsync at every commit."""

from __future__ import annotations

import os
import secrets
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import Any

from bridge.errors import StoreFailed
from bridge.store.apply import apply, recover
from bridge.store.commands import Command
from bridge.store.database import SqliteDb
from bridge.store.lock import ProcessLock, network_mount
from bridge.store.migrate import migrate
from bridge.store.reads_shown import ShownReads
from bridge.store.reads_work import WorkReads
from bridge.store.writer import Writer

FILE = "padpost.sqlite"
EPOCH_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # ours: without I, O, 0, 1, which people misread


class SqliteStore(WorkReads, ShownReads):
    """A store in the folder ``path``; implements ``api.Store``.

    Opening takes the process lock, migrates the schema, checks the file, and makes due again what a crash
    left in the middle of an attempt. Raises StoreLocked, or StoreFailed where the folder or file cannot be relied on.
    """

    def __init__(self, path: Path, *, now: Callable[[], datetime]) -> None:
        _make_folder(path)
        mounts = Path("/proc/mounts")
        kind = network_mount(path, mounts.read_text(encoding="utf-8")) if mounts.exists() else ""
        if kind:
            raise StoreFailed(f"{path} is on a network mount ({kind}), where a commit cannot be relied on. Use a local disk.")
        self._lock = ProcessLock(path / "padpost.lock")
        self._file = path / FILE
        self._local = threading.local()
        self._readers: list[SqliteDb] = []
        self._db = self._reader
        with ExitStack() as undo:  # a store that does not open leaves no lock behind
            undo.callback(self._lock.release)
            self._open(path, now)
            undo.pop_all()
        self._writer = Writer(self._connect, apply)

    def _open(self, folder: Path, now: Callable[[], datetime]) -> None:
        try:
            migrate(self._file)
            connection = self._connect()
            verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if verdict != "ok":
                raise StoreFailed(f"The store {self._file} is damaged ({verdict}). Restore it from a backup.")
            connection.execute("BEGIN IMMEDIATE")
            for name, value in (("epoch", "".join(secrets.choice(EPOCH_LETTERS) for _ in range(5))), ("next_number", "1")):
                connection.execute("INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT DO NOTHING", (name, value))
            recover(connection, now())
            self._epoch = str(connection.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])
            connection.execute("COMMIT")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()  # what a crash left in the log
            connection.close()
        except sqlite3.Error as error:
            raise StoreFailed(
                f"The store {self._file} cannot be opened: {error}. Check the disk and the rights of its folder."
            ) from error
        _sync(folder)  # the new files' names must survive a power cut as well as their bytes

    def _connect(self) -> SqliteDb:
        connection = sqlite3.connect(self._file, isolation_level=None, timeout=30, factory=SqliteDb)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(
            "PRAGMA synchronous = FULL"
        )  # an fsync at every commit: NORMAL loses acknowledged strips in a power cut
        connection.execute("PRAGMA wal_autocheckpoint = 0")  # the writer does it, and hears of its errors
        connection.execute("PRAGMA foreign_keys = ON")
        return connection

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
    def epoch(self) -> str:
        """Give the store's epoch: 5 letters, new at initialisation."""
        return self._epoch

    @property
    def fault(self) -> str:
        """Say why nothing can be written any more; empty while all is well."""
        return self._writer.fault

    @property
    def shortage(self) -> str:
        """Say that the disk had no room when something was last written; empty once something could be written again."""
        return self._writer.shortage

    def submit(self, command: Command) -> Future[Any]:
        """Do ``command`` in one durable transaction; the future gives its result once committed."""
        return self._writer.submit(command)

    def close(self) -> None:
        """Finish what was submitted, then let go of the file."""
        self._writer.close()
        for connection in self._readers:
            connection.close()
        self._lock.release()


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
