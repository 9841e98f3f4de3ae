"""Statements that are sent together: only who asks for rows waits, once for all that was said before (libpq documentation, "Pipeline Mode").

They leave in one piece with the mark that ends them (a Sync), and not one by one, as the driver's own pipeline lets them: a server counts
how long a session is idle inside a transaction only from such a mark on. A process that froze between two statements
would hold what it has locked until it thaws.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from select import POLLIN, poll
from typing import Any

import psycopg
from psycopg import errors
from psycopg.adapt import PyFormat, Transformer
from psycopg.generators import fetch_many, send
from psycopg.pq import ExecStatus
from psycopg.pq.abc import PGresult

MOST_BYTES = 32_000  # ours: well below the 64 KiB at which libpq begins to send by itself
# ours: a server's process that said its last word gives back its locks before it ends, and another may be at work on them by then; a
# session between two of its statements hears next to nothing else
LAST_WORD_MS = 200
MOST_PREPARED = 500  # ours: commands say some two hundred different things; more would be a text with values in it
_DONE = frozenset({ExecStatus.COMMAND_OK, ExecStatus.TUPLES_OK})


@dataclass(frozen=True, slots=True)
class _Statement:
    """A text with the types of its values, as the server prepares it."""

    sql: bytes
    types: tuple[int, ...]


class Coming:
    """The rows of a statement that may not be sent yet; implements ``database.Rows``.

    Asking for them sends it and all that was said before; an error of any of these is raised.
    """

    __slots__ = ("_ahead", "_result", "_rows", "formats", "statement", "values")

    def __init__(self, ahead: Ahead, statement: _Statement, values: Sequence[Any], formats: Sequence[Any]) -> None:
        self._ahead = ahead
        self.statement = statement
        self.values = values
        self.formats = formats
        self._result: PGresult | None = None
        self._rows: Iterator[Any] | None = None

    def came(self, result: PGresult) -> None:
        """Take the server's answer."""
        self._result = result

    @property
    def rowcount(self) -> int:
        """Give how many rows were touched."""
        return self._answered().command_tuples or 0

    def fetchone(self) -> Any:
        """Give the next row."""
        return next(iter(self), None)

    def fetchall(self) -> list[Any]:
        """Give the rows that are left."""
        return list(self)

    def __iter__(self) -> Iterator[Any]:
        """Go through the rows that are left."""
        if self._rows is None:
            self._rows = iter(self._ahead.loaded(self._answered()))
        return self._rows

    def _answered(self) -> PGresult:
        if self._result is None:
            self._ahead.settle()
        assert self._result is not None
        return self._result


class Ahead:
    """One session while its statements are sent together; nothing else may use the session meanwhile.

    After an error nothing more is done, and all that is asked raises it, until a new ``Ahead`` or ``begin``.
    """

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self._connection = connection
        self._pg = connection.pgconn
        self._dumped = Transformer(connection)
        self._loading = Transformer(connection)
        self._names = (b"padpost_%d" % number for number in itertools.count())
        self._prepared: dict[_Statement, bytes] = {}
        self._waiting: list[Coming] = []
        self._bytes = 0
        self._fault: psycopg.Error | None = None

    def enter(self) -> None:
        """Begin to send together, with nothing said yet."""
        self._waiting, self._bytes, self._fault = [], 0, None
        self._pg.enter_pipeline_mode()

    def leave(self) -> None:
        """Send each statement by itself again. What was not sent never will be."""
        self._waiting = []
        with suppress(psycopg.OperationalError):  # of a session that is lost, which whoever uses it next is told
            self._pg.exit_pipeline_mode()

    def say(self, sql: bytes, values: Sequence[Any]) -> Coming:
        """Say a statement with ``$1`` for its first value. Raises psycopg.Error, mostly of an earlier one."""
        if self._fault is not None:
            raise self._fault
        dumped = self._dumped.dump_sequence(values, [PyFormat.AUTO] * len(values))
        statement = _Statement(sql, self._dumped.types or ())
        coming = Coming(self, statement, dumped, self._dumped.formats or ())
        self._waiting.append(coming)
        self._bytes += len(sql) + sum(len(value) for value in dumped if value is not None)
        if self._bytes > MOST_BYTES:
            self.settle()
        return coming

    def settle(self) -> None:
        """Send what was said and wait for every answer. Raises psycopg.Error: the first error, behind which nothing was done."""
        if self._fault is not None:
            raise self._fault
        waiting, self._waiting, self._bytes = self._waiting, [], 0
        try:
            self._exchange(waiting)
        except psycopg.Error as fault:
            self._fault = fault
            raise

    def must_stand(self) -> None:
        """Raise psycopg.OperationalError where the server is known to have ended the session; waits for nothing where it said nothing."""
        ready = poll()
        ready.register(self._pg.socket, POLLIN)
        wait_ms = 0
        while ready.poll(wait_ms):
            self._pg.consume_input()  # a last word, then the end, which is an error
            wait_ms = LAST_WORD_MS
            self._pg.is_busy()

    def loaded(self, result: PGresult) -> list[Any]:
        """Give the rows of an answer as tuples."""
        self._loading.set_pgresult(result)
        return self._loading.load_rows(0, result.ntuples, tuple)

    def _exchange(self, waiting: Sequence[Coming]) -> None:
        expected: list[Coming | _Statement] = []
        for coming in waiting:
            name = self._prepared.get(coming.statement)
            if name is None and len(self._prepared) < MOST_PREPARED:
                name = self._prepared[coming.statement] = next(self._names)
                self._pg.send_prepare(name, coming.statement.sql, coming.statement.types)
                expected.append(coming.statement)
            self._send(coming, name)
            expected.append(coming)
        self._pg.pipeline_sync()
        self._connection.wait(send(self._pg))
        fault: psycopg.Error | None = None
        for each in expected:
            fault = self._received(each, fault)
        self._answer(fault)  # the mark's own
        if fault is not None:
            raise fault

    def _send(self, coming: Coming, name: bytes | None) -> None:
        of = coming.statement
        if name is None:
            self._pg.send_query_params(of.sql, coming.values, param_types=of.types, param_formats=coming.formats)
        else:
            self._pg.send_query_prepared(name, coming.values, param_formats=coming.formats)

    def _received(self, each: Coming | _Statement, fault: psycopg.Error | None) -> psycopg.Error | None:
        """Take one answer; give the first error so far."""
        result = self._answer(fault)
        if result.status not in _DONE:
            if isinstance(each, _Statement):
                del self._prepared[each]
            return fault or errors.error_from_result(result, encoding=self._connection.info.encoding)
        if isinstance(each, Coming):
            each.came(result)
        return fault

    def _answer(self, fault: psycopg.Error | None) -> PGresult:
        """Wait for the next answer. A session that ends after an error ended for that error."""
        try:
            results: list[PGresult] = self._connection.wait(fetch_many(self._pg))
        except psycopg.OperationalError:
            if fault is not None:
                raise fault from None
            raise
        return results[0]
