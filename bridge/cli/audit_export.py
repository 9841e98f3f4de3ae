"""``padpost audit export``: the trail as a table for a spreadsheet, or as FHIR AuditEvent, oldest first, in constant memory."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from io import StringIO
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

import orjson

from bridge import settings
from bridge.cli.audit_event import audit_event
from bridge.errors import SettingsError
from bridge.pages.lot_export import disarmed
from bridge.store.looking import looked_at
from bridge.store.reads_audit import oldest_first
from bridge.store.rows import AuditRow, AuditSearch

HEADING = ("event", "at", "who", "verified", "what", "of", "before", "after", "why, from where")


def export(config_path: Path, form: str, days: tuple[str, str], out: Path | None) -> int:
    """Write the trail of the days given, both included ("" for no bound); give 0. Raises SettingsError or StoreError."""
    if form not in {"csv", "fhir"}:
        raise SettingsError(f"{form} is no form of the audit trail.", remedy="Say --as csv or --as fhir.")
    config = settings.read_settings(config_path)
    first, last = (_day(text) for text in days)
    wanted = AuditSearch(
        since=_midnight(first, config.site.zone) if first else None,
        until=_midnight(last + timedelta(days=1), config.site.zone) if last else None,
    )
    with looked_at(config) as db, _written(out) as file:
        rows = oldest_first(db, wanted)
        for line in csv_lines(rows, config.site.zone) if form == "csv" else fhir_lines(rows, config.site.name):
            file.write(line)
    return 0


def csv_lines(rows: Iterable[AuditRow], zone: ZoneInfo) -> Iterator[str]:
    """Give a heading and a line an event (RFC 4180); times are the site's. What a spreadsheet would compute is disarmed."""
    yield _line(HEADING)
    for row in rows:
        event = row.event
        at = event.at.astimezone(zone).isoformat(timespec="microseconds")
        cells = (event.actor, event.verified, event.what, event.subject, event.before, event.after, event.reason)
        yield _line((str(row.event_id), at, *map(disarmed, cells)))


def fhir_lines(rows: Iterable[AuditRow], site: str) -> Iterator[str]:
    """Give an AuditEvent a line (NDJSON)."""
    for row in rows:
        yield orjson.dumps(audit_event(row, site=site)).decode() + "\n"


def _line(cells: Iterable[str]) -> str:
    text = StringIO()
    csv.writer(text).writerow(cells)
    return text.getvalue()


def _day(text: str) -> date | None:
    try:
        day = date.fromisoformat(text) if text else None
        return day.replace(year=min(max(day.year, 1970), 9000)) if day else None  # ours: before and behind every event
    except ValueError as error:
        raise SettingsError(f"{text} is no day.", remedy="Write it as 2026-11-25.") from error


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC)


@contextmanager
def _written(out: Path | None) -> Iterator[TextIO]:
    """Give where the trail goes: a file for its owner alone, or standard output."""
    if out is None:
        yield sys.stdout
        return
    try:
        out.touch(mode=0o600, exist_ok=False)
        with out.open("w", encoding="utf-8", newline="") as file:
            yield file
    except FileExistsError as error:
        raise SettingsError(f"{out} is there already.", remedy="Name another file; an export is never written over.") from error
    except OSError as error:
        raise SettingsError(
            f"{out} cannot be written: {error.strerror}.", remedy="Name a file in a folder that you may write to."
        ) from error
