"""``padpost purge``: what the site's rule would purge now, or does purge while the service is stopped."""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from bridge import clock, settings
from bridge.errors import StoreFailed
from bridge.purge import clock_doubt, steps
from bridge.store.commands import PurgeCaptures, PurgeEvents, TrustClock
from bridge.store.database import SqliteDb
from bridge.store.reads_purge import PurgeReads
from bridge.store.sqlite import FILE, SqliteStore

UNSAID = "keep says nothing in the site configuration: everything is kept for ever, and nothing is purged."


class _Looking(PurgeReads):
    """A store that is only looked at, beside the service that has it."""

    def __init__(self, connection: SqliteDb) -> None:
        self._db = lambda: connection


def purge(config_path: Path, *, dry_run: bool, shrink: bool, clock_is_right: bool = False) -> int:
    """Purge, or with ``dry_run`` say what would be; give 0. ``clock_is_right``: a person has looked at it.

    Raises SettingsError, StoreLocked or StoreFailed, the last also where the clock went further than the store can bear witness to.
    """
    config = settings.read_settings(config_path)
    if config.database is not None:
        if clock_is_right and not dry_run:
            return _trust(config)
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
        _purge(config, clock_is_right=clock_is_right)
    if shrink and not dry_run:
        _shrink(config)
    return 0


def _trust(config: settings.Settings) -> int:
    """Note in a database that the clock is right: its running service purges then with its next sweep."""
    from bridge.store.postgres.opening import open_database  # noqa: PLC0415 - only who has a server loads its driver

    assert config.database is not None
    store = open_database(config.database)
    try:
        store.submit(TrustClock(at=clock.now())).result()
    finally:
        store.close()
    print("Noted: the clock is right. The running service purges within the hour.")
    return 0


def _look(file: Path, keep: settings.Keep) -> None:
    found: Counter[str] = Counter()
    with closing(
        sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, isolation_level=None, factory=SqliteDb)
    ) as connection:
        looking = _Looking(connection)
        doubt = clock_doubt(looking.purge_clock(), clock.now())
        for step in steps(looking, keep, now=clock.now()):
            match step:
                case PurgeCaptures():
                    found["results" if step.results else "captures"] += len(step.capture_ids)
                case PurgeEvents():
                    found["events"] += len(step.event_ids)
    print(
        f"Would be purged now: the bytes of {found['captures']} captures; patients, values and messages of {found['results']} captures'"
        f" strips; {found['events']} events. What waits, is stopped or is not delivered stays."
    )
    if doubt:
        print(doubt)


def _purge(config: settings.Settings, *, clock_is_right: bool) -> None:
    store = SqliteStore(config.site.data, now=clock.now)
    try:
        doubt = "" if clock_is_right else clock_doubt(store.purge_clock(), clock.now())
        if doubt:
            raise StoreFailed(doubt)
        store.submit(TrustClock(at=clock.now())).result()
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
