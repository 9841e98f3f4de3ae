"""What commands and reads ask of a database, whichever it is.

SQL is written once, with ``?`` for each value, as SQLite (3.35 and later) and PostgreSQL (14 and later) both take it. The few things
that the two do differently are members of ``Db``.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, Protocol, SupportsInt

from bridge.store.chain import Chain


class Rows(Protocol):
    """What a statement gave."""

    @property
    def rowcount(self) -> int:
        """Give how many rows an UPDATE or DELETE touched."""

    def fetchone(self) -> Any:
        """Give the next row as a tuple, None behind the last."""

    def fetchall(self) -> list[Any]:
        """Give the rows that are left."""

    def __iter__(self) -> Iterator[Any]:
        """Go through the rows that are left."""


class Db(Protocol):
    """One connection."""

    @property
    def for_update(self) -> str:
        """Give what a SELECT ends with that is followed by a change of what it read: nobody else changes these rows meanwhile."""

    @property
    def in_transaction(self) -> bool:
        """Say whether a transaction is open."""

    @property
    def standing(self) -> set[object] | None:
        """Give the leases that were found to stand in this transaction, which nobody else can change; None where each is looked up anew.

        It is a set only while a group is done together, so that nothing of it is undone alone. Whoever changes leases empties it.
        """

    @property
    def known(self) -> dict[object, int]:
        """Give the numbers of words that were looked up on this connection (``interned``). Whoever undoes something empties it."""

    @property
    def chain(self) -> Chain:
        """Give the chain of what is appended to the history on this connection."""

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> Rows:
        """Do one statement."""

    def insert(self, sql: str, values: Sequence[Any], /) -> SupportsInt:
        """Do an INSERT into a table that has ids; ``int`` of what this gives is the new row's, and may wait for a server's answer."""

    def append(self, sql: str, values: Sequence[Any], /) -> None:
        """Do an INSERT of a row that nothing reads before it is settled: with its like, at the latest by the commit."""

    def settle(self) -> None:
        """Write what was appended. Whoever reads or changes such rows does this first."""

    def hold(self, name: str) -> None:
        """Wait until nobody else holds ``name``, and hold it to the end of the transaction."""

    def tell(self, name: str) -> None:
        """Tell every process on this store, once the transaction is committed, that ``name`` has news: `analyzer:X`, `destination:X`."""

    def time(self, given: datetime) -> datetime:
        """Give the time that all processes on this store agree on: the server's own, or ``given`` where one process has the store."""


class SqliteDb(sqlite3.Connection):
    """A connection to SQLite. One writer at a time: within BEGIN IMMEDIATE everything is held already."""

    for_update = ""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.known: dict[object, int] = {}
        self.standing: set[object] | None = None
        self.chain = Chain()
        self._appended: dict[str, list[Sequence[Any]]] = {}

    def insert(self, sql: str, values: Sequence[Any], /) -> int:
        """Do an INSERT; give the new row's id."""
        new = self.execute(sql, values).lastrowid
        assert new is not None
        return new

    def append(self, sql: str, values: Sequence[Any], /) -> None:
        """Keep a row for ``settle`` while a group is done together; else write it."""
        if self.standing is None:
            self.execute(sql, values)
        else:
            self._appended.setdefault(sql, []).append(values)

    def settle(self) -> None:
        """Write what was appended, one statement for all rows of a kind, each kind in its order."""
        if self._appended:
            appended, self._appended = self._appended, {}
            for sql, rows in appended.items():
                self.executemany(sql, rows)

    def forget(self) -> None:
        """Forget what was appended, and all that was looked up: what it is of is undone."""
        self._appended.clear()
        self.known.clear()
        self.chain.undo()
        self.standing = None

    def hold(self, name: str) -> None:
        """Hold nothing more."""

    def tell(self, name: str) -> None:
        """Tell nobody: the one process wakes itself."""

    def time(self, given: datetime) -> datetime:
        """Give ``given``."""
        return given


def commit(db: Db) -> None:
    """End a transaction that a command of its own began, and what binds its events with it."""
    db.chain.finish(db)
    db.settle()
    db.execute("COMMIT")
    db.chain.stands()
