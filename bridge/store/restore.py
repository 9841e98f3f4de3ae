"""A store put back from a backup: verified, under a new epoch, with what may have been sent since before a person.

The new store is made whole beside the old one, then the old one's files are moved aside and the new one takes its name.
A marker stands in the folder meanwhile: a service does not start over half a restore, and the same command goes on with it.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from bridge.errors import BackupError
from bridge.store.backup import PART, BackupText, check_file, read_text, sha256_of, sync
from bridge.store.database import SqliteDb, commit
from bridge.store.lock import ProcessLock
from bridge.store.mark import forget_mark
from bridge.store.migrate import is_known, migrate
from bridge.store.review import Reviewed, newest_moment, review
from bridge.store.sqlite import FILE, LOCK, RESTORING

FILES = (FILE, f"{FILE}-wal", f"{FILE}-shm")


@dataclass(frozen=True, kw_only=True, slots=True)
class Restored:
    """What a restore did. ``taken_at`` (aware, UTC): what came in later is not in the store. ``aside`` is where the old store is, if there was one."""

    taken_at: datetime
    reviewed: Reviewed
    aside: Path | None


def restore(backup: Path, folder: Path, *, now: datetime, replace: bool) -> Restored:
    """Put ``backup`` in the place of the store in ``folder``. ``now`` is aware, UTC.

    A store that is there already is kept in a folder beside it, and only where ``replace`` is said. Raises StoreLocked while a
    process holds the store, BackupError where the backup is not whole or a store is there; the store there is untouched then.
    """
    if not backup.is_file():
        raise BackupError(f"There is no backup at {backup}. Check the name.")
    text = read_text(backup)
    try:
        return _replaced(backup, text, folder, now=now, replace=replace)
    except OSError as error:
        raise BackupError(f"The backup could not be put in place: {error}. Check the disk and the rights of {folder}.") from error


def _replaced(backup: Path, text: BackupText, folder: Path, *, now: datetime, replace: bool) -> Restored:
    folder.mkdir(parents=True, exist_ok=True)
    lock = ProcessLock(folder / LOCK)
    try:
        marker = folder / RESTORING
        if any((folder / name).exists() for name in FILES) and not replace and not marker.exists():
            raise BackupError(
                f"There is a store in {folder} already. Say --replace to keep it aside, under a name with the date, and put the backup in its place."
            )
        _verify(backup, text)
        part = folder / f"{FILE}{PART}"
        try:
            reviewed = _made_ready(backup, text, part, now, _epoch_of(folder / FILE))
            aside = _put_in_place(part, folder, marker, now)
        finally:
            for name in (part, part.with_name(f"{part.name}-journal")):
                name.unlink(missing_ok=True)
        return Restored(taken_at=text.taken_at, reviewed=reviewed, aside=aside)
    finally:
        lock.release()


def open_epoch(folder: Path, *, now: datetime) -> Restored:
    """Do for a store that other means put back (a disk's or a machine's snapshot) what ``restore`` does for a backup.

    The time of its newest event stands for the time of the backup. Raises StoreLocked while a process holds it, BackupError if there is none.
    """
    file = folder / FILE
    if not file.is_file():
        raise BackupError(f"There is no store in {folder}. Check site.data in the site configuration.")
    lock = ProcessLock(folder / LOCK)
    try:
        migrate(file)
        with closing(sqlite3.connect(file, isolation_level=None, factory=SqliteDb)) as store:
            store.execute("PRAGMA foreign_keys = ON")
            store.execute("PRAGMA synchronous = FULL")
            taken_at = newest_moment(store) or now
            reviewed = _reviewed(store, now=now, taken_at=taken_at)
        forget_mark(folder)
        return Restored(taken_at=taken_at, reviewed=reviewed, aside=None)
    except sqlite3.Error as error:
        raise BackupError(f"The store {file} cannot be used: {error}. Restore it from a backup.") from error
    finally:
        lock.release()


def _verify(backup: Path, text: BackupText) -> None:
    if not is_known(text.schema):
        raise BackupError(f"{backup} is of a newer Padpost (schema {text.schema}). Install that version again, then restore.")
    if backup.stat().st_size != text.size_bytes or sha256_of(backup) != text.sha256:
        raise BackupError(
            f"{backup} is not what was written: its SHA-256 differs from the text beside it. Use another copy or another backup."
        )


def _epoch_of(file: Path) -> str:
    """Give the epoch of the store that is there, as far as it can be read; it may be damaged, which is why it is replaced."""
    try:
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as old:
            return str(old.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])
    except (sqlite3.Error, TypeError):
        return ""


def _made_ready(backup: Path, text: BackupText, part: Path, now: datetime, there: str) -> Reviewed:
    """Make the new store whole under another name: copied, checked, brought to the newest schema, reviewed, durable."""
    try:
        shutil.copyfile(backup, part)
        part.chmod(0o600)
        check_file(part, text.counts)
        migrate(part)
        with closing(sqlite3.connect(part, isolation_level=None, factory=SqliteDb)) as store:
            store.execute("PRAGMA foreign_keys = ON")
            reviewed = _reviewed(store, now=now, taken_at=text.taken_at, known={there})
    except (OSError, sqlite3.Error) as error:
        raise BackupError(
            f"The backup could not be put in place: {error}. Check the disk of {part.parent}; nothing was replaced."
        ) from error
    sync(part)
    return reviewed


def _reviewed(store: SqliteDb, *, now: datetime, taken_at: datetime, known: set[str] | None = None) -> Reviewed:
    store.execute("BEGIN IMMEDIATE")
    reviewed = review(store, now=now, taken_at=taken_at, known=known or set())
    commit(store)
    return reviewed


def _put_in_place(part: Path, folder: Path, marker: Path, now: datetime) -> Path | None:
    """Move the old store's files aside and give the new one its name; a kill anywhere in it leaves the marker and both stores."""
    if not marker.exists():
        begun = folder / f"{marker.name}{PART}"
        begun.write_text(f"replaced-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}", encoding="utf-8")
        sync(begun)
        begun.rename(marker)
        sync(folder)
    aside = folder / marker.read_text(encoding="utf-8")
    aside.mkdir(exist_ok=True, mode=0o700)
    for name in FILES:
        if (folder / name).exists() and not (aside / name).exists():
            (folder / name).rename(aside / name)
    forget_mark(folder)
    sync(aside)
    sync(folder)
    part.replace(folder / FILE)
    sync(folder)
    marker.unlink()
    if not any(aside.iterdir()):
        aside.rmdir()
    sync(folder)
    return aside if aside.exists() else None
