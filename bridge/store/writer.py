"""The one writer: a thread that commits commands in groups.

A group is whatever has queued up while the last one was being committed: alone, a command is committed at once; under load
many share one fsync. Each command runs in a savepoint of its own, so that one failure never spoils the group, and
its future is resolved only after COMMIT has returned. After a failed commit nothing is known to be durable:
the writer stops for good (ARCHITECTURE rule 3; PostgreSQL does the same since its fsync lesson of 2018).
"""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from bridge.errors import StoreFailed, StoreFull
from bridge.store.commands import Command
from bridge.store.database import Db, SqliteDb

LARGEST_GROUP = 200  # ours: bounds how long the first of a group waits for the last
CHANGES_A_MOVE = 1000  # ours: rows written between two moves of the log into the file; some 4 MB of log, SQLite's own measure
# What SQLite says of one statement and its values alone; its other errors concern the file (PEP 249's classes)
_OF_ONE = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError)
_Job = tuple[Command, "Future[Any]"]
Apply = Callable[[Db, Command], Any]


class Writer:
    """Owns the writing connection; ``submit`` may be called from any thread."""

    def __init__(self, connect: Callable[[], SqliteDb], apply: Apply) -> None:
        """Start the thread. ``connect`` is called on it; ``apply`` does one command inside a savepoint."""
        self.fault = ""
        self.shortage = ""
        self._apply = apply
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._connect = connect
        self._closed = False
        self._move_at = CHANGES_A_MOVE
        self._turn = threading.Lock()  # nothing is queued behind the end, where nobody would ever do it
        self._thread = threading.Thread(target=self._run, name="padpost-store-writer", daemon=True)
        self._thread.start()

    def submit(self, command: Command) -> Future[Any]:
        """Queue a command. Its future raises StoreFailed once the writer has stopped.

        What was submitted is done: cancelling the future (a task that is cancelled while it waits does) takes nothing back.
        """
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        with self._turn:
            if self.fault or self._closed:
                future.set_exception(StoreFailed(self.fault or "The store is closed."))
            else:
                self._jobs.put((command, future))
        return future

    def close(self) -> None:
        """Do what was submitted, then stop."""
        with self._turn:
            self._closed = True
            self._jobs.put(None)
        self._thread.join()

    def _run(self) -> None:
        try:
            connection = self._connect()
        except sqlite3.Error as error:
            self._stop(error)
            while job := self._jobs.get():
                _fail([job], StoreFailed(self.fault))
            return
        try:
            going = True
            while going:
                group, going = self._next_group()
                if group:
                    self._commit(connection, group)
        finally:
            connection.close()

    def _next_group(self) -> tuple[list[_Job], bool]:
        first = self._jobs.get()
        if first is None:
            return [], False
        group = [first]
        while len(group) < LARGEST_GROUP:
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                break
            if job is None:
                return group, False
            group.append(job)
        return group, True

    def _commit(self, connection: SqliteDb, group: list[_Job]) -> None:
        if self.fault:
            _fail(group, StoreFailed(self.fault))
            return
        answers: list[tuple[Future[Any], Any, BaseException | None]] = []
        try:
            connection.execute("BEGIN IMMEDIATE")
            for command, future in group:
                answers.append((future, *self._one(connection, command)))
            connection.execute("COMMIT")
        except (sqlite3.Error, MemoryError) as error:
            self._stop_or_full(connection, group, error)
            return
        self.shortage = ""
        for future, value, fault in answers:
            if fault is None:
                future.set_result(value)
            else:
                future.set_exception(fault)
        self._move_log(connection)

    def _move_log(self, connection: SqliteDb) -> None:
        """Move the log into the file when it has grown; an fsync that fails in it stops the writer.

        SQLite would do this by itself, but passes over its errors and syncs again after some later commit. A full
        disk is none: the log keeps everything until there is room.
        """
        if connection.total_changes < self._move_at:
            return
        self._move_at = connection.total_changes + CHANGES_A_MOVE
        try:
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        except sqlite3.Error as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL:
                self._stop(error)

    def _one(self, connection: SqliteDb, command: Command) -> tuple[Any, BaseException | None]:
        """Do one command in its savepoint; give its value, or the refusal that undid it alone."""
        connection.execute("SAVEPOINT one")
        try:
            value = self._apply(connection, command)
        except Exception as fault:  # a defect of ours too is told to the one who asked, and the thread lives on
            if isinstance(fault, MemoryError) or (isinstance(fault, sqlite3.Error) and not isinstance(fault, _OF_ONE)):
                raise  # the disk, the file or the machine: the whole group's business
            connection.execute("ROLLBACK TO one")
            connection.execute("RELEASE one")
            return None, fault
        connection.execute("RELEASE one")
        return value, None

    def _stop_or_full(self, connection: SqliteDb, group: list[_Job], error: sqlite3.Error | MemoryError) -> None:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        try:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            undone = True
        except sqlite3.Error:
            undone = False
        if undone and code == sqlite3.SQLITE_FULL:
            self.shortage = f"The disk is full; nothing was written ({_name(error)})."
            _fail(group, StoreFull(self.shortage))
            return
        self._stop(error)
        _fail(group, StoreFailed(self.fault))

    def _stop(self, error: sqlite3.Error | MemoryError) -> None:
        with self._turn:
            self.fault = (
                f"Writing to the store failed ({_name(error)}). Nothing more is acknowledged; mend the disk and restart Padpost."
            )


def _name(error: sqlite3.Error | MemoryError) -> str:
    return str(getattr(error, "sqlite_errorname", "") or str(error) or type(error).__name__)


def _fail(group: list[_Job], error: BaseException) -> None:
    for _, future in group:
        if not future.done():
            future.set_exception(error)
