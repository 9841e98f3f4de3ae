"""``padpost purge``: what the site's rule would purge now, or does purge while the service is stopped."""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from bridge import clock, settings
from bridge.errors import StoreFailed
from bridge.purge import steps
from bridge.store.commands import PurgeCaptures, PurgeEvents
from bridge.store.database import SqliteDb
from bridge.store.reads_purge import PurgeReads
from bridge.store.sqlite import FILE, SqliteStore

UNSAID = "keep says nothing in the site configuration: everything is kept for ever, and nothing is purged."


class _Looking(PurgeReads):
    """A store that is only looked at, beside the service that has it."""

    def __init__(self, connection: SqliteDb) -> None:
        self._db = lambda: connection


def purge(config_path: Path, *, dry_run: bool, shrink: bool) -> int:
    """Purge, or with ``dry_run`` say what would be; give 0. Raises SettingsError, StoreLocked or StoreFailed."""
    config = settings.read_settings(config_path)
    if config.database is not None:
        raise StoreFailed(
            "The store is a PostgreSQL database: the running service purges by itself, and the server gives room back (VACUUM)."
        )
    file = config.site.data / FILE
    if not file.is_file():
        raise StoreFailed(f"There is no store at {file}. Check site.data in the site configuration.")
    if config.keep == settings.Keep():
        print(UNSAID)
    elif dry_run:
        _look(file, config.keep)
    else:
        _purge(config)
    if shrink and not dry_run:
        _shrink(config)
    return 0


def _look(file: Path, keep: settings.Keep) -> None:
    found: Counter[str] = Counter()
    with closing(
        sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, isolation_level=None, factory=SqliteDb)
    ) as connection:
        for step in steps(_Looking(connection), keep, now=clock.now()):
            match step:
                case PurgeCaptures():
                    found["results" if step.results else "captures"] += len(step.capture_ids)
                case PurgeEvents():
                    found["events"] += len(step.event_ids)
    print(
        f"Would be purged now: the bytes of {found['captures']} captures; patients, values and messages of {found['results']} captures'"
        f" strips; {found['events']} events. What waits, is stopped or is not delivered stays."
    )


def _purge(config: settings.Settings) -> None:
    store = SqliteStore(config.site.data, now=clock.now)
    try:
        done: Counter[type] = Counter()
        for step in steps(store, config.keep, now=clock.now()):
            done[type(step)] += store.submit(step).result()
    finally:
        store.close()
    print(f"Purged: {done[PurgeCaptures]} captures and strips; {done[PurgeEvents]} events.")


def _shrink(config: settings.Settings) -> None:
    store = SqliteStore(config.site.data, now=clock.now)
    store.close()  # the log is in the file now, and whoever else has the store was told of
    file = config.site.data / FILE
    before = file.stat().st_size
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    print(f"The file had {before // 1_000_000} MB and has {file.stat().st_size // 1_000_000} MB.")
