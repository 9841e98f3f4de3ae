"""Whether the store's file is sound: at once while it is small, in the background once a whole look would delay the start."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

import structlog

log = structlog.get_logger()

# ours: 218 MB took 0.9 s when measured (docs/explanation/size.md); a start should be ready within 1 s
LARGEST_AT_START_BYTES = 64_000_000
# Read by every start and few rows each: a page of theirs that is spoilt is found at once, whatever the file's size
SMALL_TABLES = ("meta", "destinations", "series", "plan_checks", "alembic_version")


def at_start(connection: sqlite3.Connection, size_bytes: int) -> str:
    """Give what is wrong with the file, "" for nothing found: all of a small file, of a large one its schema and the tables that a start rests on."""
    if size_bytes <= LARGEST_AT_START_BYTES:
        return _verdict(connection, "PRAGMA quick_check(1)")
    return next((found for table in SMALL_TABLES if (found := _verdict(connection, f"PRAGMA quick_check('{table}')"))), "")


def _verdict(connection: sqlite3.Connection, pragma: str) -> str:
    found = str(connection.execute(pragma).fetchone()[0])
    return "" if found == "ok" else found


class WholeCheck:
    """Looks through a large file once after the start, beside the work; what it finds stops the store."""

    def __init__(self, file: Path, stop: Callable[[str], None]) -> None:
        """Take the file, and what is to be called with a sentence where it is damaged."""
        self._file = file
        self._stop = stop
        self._connection: sqlite3.Connection | None = None
        self._is_ended = False

    async def run(self) -> None:
        """Look once; nothing to do where the start has looked at all of it."""
        if self._file.stat().st_size <= LARGEST_AT_START_BYTES:
            return
        log.info("store.checking", mb=self._file.stat().st_size // 1_000_000)
        found = await asyncio.to_thread(self._look)
        if found:
            log.critical("store.damaged")
            self._stop(
                f"The store {self._file} is damaged ({found}). Nothing more is acknowledged; stop Padpost and restore it from a backup."
            )
        else:
            log.info("store.checked", mb=self._file.stat().st_size // 1_000_000)

    def _look(self) -> str:
        connection = sqlite3.connect(f"file:{quote(str(self._file))}?mode=ro", uri=True, check_same_thread=False)
        with closing(connection):
            self._connection = connection
            try:
                return "" if self._is_ended else _verdict(connection, "PRAGMA quick_check(1)")
            except sqlite3.Error as error:
                return "" if self._is_ended else str(error)
            finally:
                self._connection = None

    def end(self) -> None:
        """Break off: a stop of the service does not wait for it. May be called from any thread."""
        self._is_ended = True
        if (connection := self._connection) is not None:
            connection.interrupt()
