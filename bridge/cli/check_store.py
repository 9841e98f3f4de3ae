"""``padpost check --store``: whether what the store says of itself is so. It only reads, and may be asked beside the running service."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from itertools import chain
from pathlib import Path
from urllib.parse import quote
from zoneinfo import ZoneInfo

from bridge import clock, settings
from bridge.bench.tally import DayTally
from bridge.errors import SettingsError, StoreFailed
from bridge.pages.today import tally_of
from bridge.store.database import Db, SqliteDb
from bridge.store.reads_today import TodayReads
from bridge.store.rows import DayStrips
from bridge.store.sound import faults, file_faults
from bridge.store.sqlite import FILE

DAYS = 3  # ours: today and two days before; the tally of a day is what Today shows of it


class _Looking(TodayReads):
    """A store that is only looked at, beside the service that has it."""

    def __init__(self, db: Db) -> None:
        self._db = lambda: db


def check_store(config_path: Path | None) -> int:
    """Print one line for each thing looked at; give 0 if all is well, 1 if something is wrong. Raises SettingsError or StoreError."""
    if config_path is None:
        raise SettingsError(
            "--store looks through the store of a site, and no site is named.", remedy="Add --config and the site configuration."
        )
    config = settings.read_settings(config_path)
    wrong = 0
    for line, fault in _lines(config):
        print(f"{line}: {fault or 'ok'}", flush=True)
        wrong += bool(fault)
    print(
        f"{wrong} thing{'' if wrong == 1 else 's'} wrong. Tell your administrator; keep a backup as it is now."
        if wrong
        else "all well"
    )
    return 1 if wrong else 0


def _lines(config: settings.Settings) -> Iterator[tuple[str, str]]:
    if config.database is not None:
        from bridge.store.postgres.opening import looked_at  # noqa: PLC0415 - only who has a server loads its driver

        with looked_at(config.database) as db:
            yield from chain(faults(db), _days(db, config.site.zone))
        return
    file = config.site.data / FILE
    if not file.is_file():
        raise StoreFailed(f"There is no store at {file}. Check site.data in the site configuration.")
    try:
        opened = sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, isolation_level=None, timeout=30, factory=SqliteDb)
        with closing(opened) as connection:
            yield from chain(file_faults(connection), faults(connection), _days(connection, config.site.zone))
    except sqlite3.DatabaseError as error:
        yield "file: readable", f"damaged ({error}). Restore it from a backup"


def _days(db: Db, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    today = clock.now().astimezone(zone).date()
    for day in (today - timedelta(days=ago) for ago in range(DAYS)):
        strips = _Looking(db).day(day, zone)
        yield f"tally: {day.isoformat()}", _difference(strips, tally_of(strips, {}))


def _difference(day: DayStrips, tally: DayTally) -> str:
    """Say where the sums of a day do not come out."""
    came = sum(len(group.strips) for group in day.groups)
    counted = sum(series.readings for series in tally.series) + sum(map(len, tally.unnumbered.values()))
    if came != counted:
        return f"{came} strips came, and the terms count {counted}"
    for series in tally.series:
        if series.difference != len(series.orphaned) - len(series.repeated):
            return f"the numbers of {series.analyzer}, {series.series}, do not come out: {series.difference}"
    for to in tally.destinations:
        stand = sum(map(len, to.strips.values())) + len(to.unaccounted)
        if stand != to.sent_on:
            return f"{to.sent_on} results were sent on, and {stand} stand with {to.destination}"
    return ""
