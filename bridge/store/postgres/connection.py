"""A connection to PostgreSQL that takes the same SQL as one to SQLite."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg.pq import TransactionStatus
from psycopg.types.numeric import Int8Dumper

from bridge.store.chain import Chain
from bridge.store.database import Rows
from bridge.store.postgres.ahead import Ahead

# libpq's own words; the site's URL may say otherwise. A cut network is noticed within some five seconds, waiting or sending.
DEFAULTS = {
    "connect_timeout": "5",
    "tcp_user_timeout": "5000",
    "keepalives_idle": "2",
    "keepalives_interval": "1",
    "keepalives_count": "3",
    "target_session_attrs": "read-write",  # of several hosts the one that writes; never a standby
    "application_name": "padpost",
}
_CHANNEL = "padpost_news"
_NUL_SHOWN = "\u2400"  # PostgreSQL's text holds no NUL; its picture (Unicode, Control Pictures) stands for it

# For a session that writes: what it locked is free again before the leases of others run out, if its process froze; no limit cuts a commit that waits for a standby
WRITING = (
    "SET TimeZone = 'UTC'; SET default_transaction_isolation = 'read committed';"
    " SET idle_in_transaction_session_timeout = '2s'; SET lock_timeout = '10s'; SET statement_timeout = 0"
)
# For one that reads: each transaction sees one moment
READING = (
    "SET TimeZone = 'UTC'; SET default_transaction_isolation = 'repeatable read';"
    " SET default_transaction_read_only = on; SET statement_timeout = '30s'"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Server:
    """Where the database is: a libpq URL without a password, and the password, "" where none is needed."""

    url: str
    password: str = field(default="", repr=False)

    def conninfo(self) -> str:
        """Give libpq's connection string. Raises psycopg.ProgrammingError if the URL is none."""
        given = conninfo_to_dict(self.url)
        wanted: dict[str, Any] = {name: value for name, value in DEFAULTS.items() if name not in given}
        if self.password:
            wanted["password"] = self.password
        return make_conninfo(self.url, client_encoding="UTF8", **wanted)

    def shown(self) -> str:
        """Name the database without secrets: `host:port/name`, several hosts with commas."""
        given = {name: str(value) for name, value in conninfo_to_dict(self.url).items()}
        hosts = given.get("host", "localhost").split(",")
        ports = given.get("port", "").split(",")
        places = (
            f"{host}:{port or 5432}" for host, port in zip(hosts, ports * (len(hosts) if len(ports) == 1 else 1), strict=False)
        )
        return f"{','.join(places)}/{given.get('dbname', '')}"

    def connect(self, session: str) -> PostgresDb:
        """Connect, and give the session the settings ``session``. Raises psycopg.Error."""
        connection = psycopg.connect(self.conninfo(), autocommit=True)
        connection.adapters.register_dumper(int, Int8Dumper)  # one type for every whole number, so that one plan serves
        try:
            connection.execute(session.encode(), prepare=False)
        except psycopg.Error:
            connection.close()
            raise
        return PostgresDb(connection)


_PARTS = re.compile(r"('(?:[^']|'')*')| INDEXED BY \w+|\bgroup_concat\b|\?|%")
_OWN_WORDS = {"group_concat": "string_agg"}


@lru_cache(maxsize=1024)
def translated(sql: str, *, has_values: bool) -> bytes:
    """Give ``sql`` as the driver takes it: ``%s`` for each ``?`` outside quotes, ``%`` doubled; SQLite's hints left out, and its own words in the server's.

    The driver looks at ``%`` only where there are values.
    """

    def part(found: re.Match[str]) -> str:
        quoted = found[1]
        if quoted is not None:
            return quoted.replace("%", "%%") if has_values else quoted
        return {"?": "%s", "%": "%%" if has_values else "%", **_OWN_WORDS}.get(found[0], "")

    return _PARTS.sub(part, sql).encode()


@lru_cache(maxsize=1024)
def numbered(sql: str) -> bytes:
    """Give ``sql`` as the server takes it: ``$1`` for the first ``?`` outside quotes, and so on; SQLite's hints left out."""
    places = itertools.count(1)

    def part(found: re.Match[str]) -> str:
        if found[0] == "?":
            return f"${next(places)}"
        return "" if found[0].startswith(" INDEXED") else _OWN_WORDS.get(found[0], found[0])

    return _PARTS.sub(part, sql).encode()


def _sendable(values: Sequence[Any]) -> Sequence[Any]:
    if any(isinstance(value, str) and "\0" in value for value in values):
        return [value.replace("\0", _NUL_SHOWN) if isinstance(value, str) else value for value in values]
    return values


class NewRow:
    """A row that was inserted; ``int`` gives its id. Raises psycopg.Error where the row did not come about."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows

    def __int__(self) -> int:
        return int(self._rows.fetchone()[0])


class PostgresDb:
    """One session; implements ``database.Db``. Transactions begin and end by BEGIN and COMMIT, or by ``begin``, ``commit`` and ``undo``.

    In a transaction that begins ``ahead`` a statement is sent when somebody asks for rows. Until then its errors are not known: they are
    raised by a later statement, by any rows, or by ``commit``, and nothing behind them was done. So nothing in it can be undone alone.
    """

    for_update = " FOR UPDATE"

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self.connection = connection
        self._news: dict[str, None] = {}
        self._together = Ahead(connection)
        self._is_ahead = False
        self._held: set[str] = set()
        self.known: dict[object, int] = {}
        self.standing: set[object] | None = None
        self.chain = Chain()

    @property
    def in_transaction(self) -> bool:
        """Say whether a transaction is open, sound or failed, as far as statements were sent."""
        status = self.connection.info.transaction_status
        return status not in {TransactionStatus.IDLE, TransactionStatus.UNKNOWN}

    def begin(self, *, ahead: bool) -> None:
        """Begin. Raises psycopg.Error."""
        self._leave()
        if ahead:
            self._together.enter()
            self._is_ahead = True
            self.standing = set()
        self.execute("BEGIN")

    def must_stand(self) -> None:
        """Raise psycopg.OperationalError where the server is known to have ended the session."""
        self._together.must_stand()

    def commit(self) -> None:
        """Commit, and tell with it who has news. Raises psycopg.Error, also of a statement before, and then nothing is committed."""
        if self._news:
            self.execute(f"SELECT pg_notify('{_CHANNEL}', name) FROM unnest(?::text[]) name", (list(self._news),))
            self._news.clear()
        self.execute("COMMIT")
        if self._is_ahead:
            self._together.settle()

    def undo(self) -> None:
        """Roll back, and tell nothing. Raises psycopg.Error."""
        self.known.clear()
        self.chain.undo()
        self._leave()
        self._news.clear()
        if self.connection.info.transaction_status is not TransactionStatus.IDLE:
            self.connection.rollback()

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> Rows:
        """Do one statement, or have it sent with others. Raises psycopg.Error."""
        sendable = _sendable(values)
        if self._is_ahead:
            return self._together.say(numbered(sql), sendable)
        return self.connection.execute(translated(sql, has_values=bool(values)), sendable or None)

    def insert(self, sql: str, values: Sequence[Any], /) -> NewRow:
        """Do an INSERT; the new row's id is asked for when ``int`` is."""
        return NewRow(self.execute(f"{sql} RETURNING id", values))

    def append(self, sql: str, values: Sequence[Any], /) -> None:
        """Do an INSERT: what is sent ahead waits for nothing anyhow."""
        self.execute(sql, values)

    def settle(self) -> None:
        """Do nothing: a later statement of the session sees what was said before it."""

    def hold(self, name: str) -> None:
        """Wait until no other process holds ``name``, and hold it to the end of the transaction."""
        if name in self._held:
            return
        self.execute("SELECT pg_advisory_xact_lock(hashtextextended(?, 0))", (name,))
        if self._is_ahead:  # elsewhere a savepoint that is undone lets go of it
            self._held.add(name)

    def tell(self, name: str) -> None:
        """Remember that ``name`` has news; ``commit`` tells it. What an undone command told is told too: a look too many."""
        self._news[name] = None

    def hear(self) -> None:
        """Be told from now on what other sessions tell."""
        self.execute(f"LISTEN {_CHANNEL}")

    def time(self, given: datetime) -> datetime:  # noqa: ARG002 - one process's own clock is not asked here
        """Give the server's clock, which all processes share; aware, UTC."""
        now: datetime = self.execute("SELECT clock_timestamp()").fetchone()[0]
        return now

    def close(self) -> None:
        """End the session."""
        self.connection.close()

    def _leave(self) -> None:
        self._held.clear()
        self.standing = None
        if self._is_ahead:
            self._is_ahead = False
            self._together.leave()
