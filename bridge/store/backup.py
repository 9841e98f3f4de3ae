"""A copy of the embedded store, taken while it is in use, and checked before it bears its name.

SQLite's own backup copies the pages of one moment: a reading transaction that is held open all the while, so that the
service goes on writing beside it. The log grows meanwhile and is moved into the file afterwards.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

import yaml

from bridge.errors import BackupError

PART = ".part"  # what is not whole yet
TEXT = ".txt"  # the text beside a backup
PAGES_A_STEP = 2_000  # ours: 8 MB; between two steps an interrupt of the command is heard
READ_BYTES = 1 << 20  # ours: keeps memory small whatever the store's size


@dataclass(frozen=True, kw_only=True, slots=True)
class BackupText:
    """What stands in the text beside a backup. ``taken_at`` is aware, UTC: what came later is not in it.

    ``schema`` is the store's revision, ``counts`` the rows of each table, ``sha256`` 64 lower-case hex digits of the whole file.
    """

    file: str
    taken_at: datetime
    schema: str
    epoch: str
    size_bytes: int
    sha256: str
    counts: Mapping[str, int]


def back_up(store: Path, folder: Path, *, now: datetime, spare_bytes: int) -> tuple[Path, BackupText]:
    """Copy the store file ``store`` into ``folder``; give the new file and its text. ``now`` is aware, UTC.

    ``spare_bytes`` must stay free where the store itself lies: a backup never fills the disk that strips are kept on.
    Raises BackupError: no store, no room, another backup under way, or a copy that does not pass its checks. Nothing that
    looks whole is left behind then, nor by a kill at any moment.
    """
    if not store.is_file():
        raise BackupError(f"There is no store at {store}. Check site.data in the site configuration.")
    try:
        return _taken(store, folder, now, spare_bytes)
    except (sqlite3.Error, OSError) as error:
        raise BackupError(f"The backup was not taken: {error}. Check the disk of {folder} and its rights.") from error


def _taken(store: Path, folder: Path, now: datetime, spare_bytes: int) -> tuple[Path, BackupText]:
    name = f"padpost-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}.sqlite"
    if not folder.parent.is_dir():  # a mistyped name, or a disk that is not there: the copy would lie on the store's own disk
        raise BackupError(
            f"There is no folder {folder.parent}. Look whether the name is right and the disk is there, or make the folder."
        )
    folder.mkdir(exist_ok=True, mode=0o700)
    with _alone_in(folder):
        for left in folder.glob(f"padpost-*{PART}"):  # of a backup that was killed: ours alone, by the lock
            left.unlink()
        if (folder / name).exists():
            raise BackupError(f"{folder / name} is there already. Try again in a second.")
        _require_room(store, folder, spare_bytes)
        try:
            return _copied(store, folder / name, now)
        finally:
            for left in folder.glob(f"{name}*{PART}"):
                left.unlink()


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise BackupError(f"Another backup into {folder} is under way. Wait for its end.") from None
        yield
    finally:
        os.close(descriptor)


def _require_room(store: Path, folder: Path, spare_bytes: int) -> None:
    needed = store.stat().st_size + sum(log.stat().st_size for log in [Path(f"{store}-wal")] if log.exists())
    if is_beside(store, folder):
        needed += spare_bytes
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise BackupError(
            f"There is no room for a backup in {folder}: {free // 1_000_000} MB are free, {needed // 1_000_000 + 1} MB are needed."
            " Remove old backups or choose another disk."
        )


def is_beside(store: Path, folder: Path) -> bool:
    """Say whether a backup in ``folder`` lies on the store's own file system, with which it would be lost."""
    return store.stat().st_dev == folder.stat().st_dev


def _copied(store: Path, file: Path, now: datetime) -> tuple[Path, BackupText]:
    part = file.with_name(file.name + PART)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))  # patients' data: the owner's alone
    with closing(sqlite3.connect(f"file:{quote(str(store))}?mode=ro", uri=True, timeout=30, isolation_level=None)) as source:
        source.execute("BEGIN")  # held to the end: copy and counts are of one moment
        counts = count_rows(source)
        with closing(sqlite3.connect(part, isolation_level=None)) as copy:
            source.backup(copy, pages=PAGES_A_STEP)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
        source.execute("COMMIT")
    schema, epoch = check_file(part, counts)
    sync(part)
    text = BackupText(
        file=file.name,
        taken_at=now.astimezone(UTC),
        schema=schema,
        epoch=epoch,
        size_bytes=part.stat().st_size,
        sha256=sha256_of(part),
        counts=counts,
    )
    _write_text(file.with_name(file.name + TEXT), text)  # before the file bears its name: a whole file always has its text
    part.rename(file)
    sync(file.parent)
    return file, text


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    """Count the rows of every table, by name."""
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name")
    return {name: int(connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]) for (name,) in tables.fetchall()}


def check_file(file: Path, counts: Mapping[str, int]) -> tuple[str, str]:
    """Check a copy through and through; give its schema and its epoch.

    Raises BackupError where SQLite finds damage, rows that point nowhere, or other counts than ``counts``.
    """
    with closing(sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True)) as copy:
        try:
            verdict = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if verdict == "ok" and copy.execute("PRAGMA foreign_key_check").fetchone() is not None:
                verdict = "a row points to one that is not there"
            if verdict == "ok" and count_rows(copy) != counts:
                verdict = "it has other rows than were counted"
            if verdict != "ok":
                raise BackupError(f"{file} is damaged ({verdict}). Check the disk, and take another backup.")
            schema = str(copy.execute("SELECT version_num FROM alembic_version").fetchone()[0])
            epoch = str(copy.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])
        except sqlite3.DatabaseError as error:
            raise BackupError(f"{file} is no store of Padpost, or is damaged ({error}). Use another backup.") from error
    return schema, epoch


def sha256_of(file: Path) -> str:
    """Give a file's SHA-256, 64 lower-case hex digits."""
    digest = hashlib.sha256()
    with file.open("rb") as stream:
        while some := stream.read(READ_BYTES):
            digest.update(some)
    return digest.hexdigest()


def sync(path: Path) -> None:
    """Make a file's bytes, or the names in a folder, durable."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write_text(file: Path, text: BackupText) -> None:
    part = file.with_name(file.name + PART)
    values = asdict(text) | {"taken_at": text.taken_at.isoformat(timespec="seconds"), "counts": dict(text.counts)}
    head = f"# A backup of Padpost's store; patients' data. To use it: padpost restore --config SITE --from {text.file}\n"
    part.write_text(head + yaml.safe_dump(values, sort_keys=False), encoding="utf-8")
    part.chmod(0o600)
    sync(part)
    part.rename(file)


def read_text(backup: Path) -> BackupText:
    """Read the text beside ``backup``. Raises BackupError where there is none or it is spoilt."""
    file = backup.with_name(backup.name + TEXT)
    try:
        values = yaml.safe_load(file.read_text(encoding="utf-8"))
        return BackupText(**values | {"taken_at": datetime.fromisoformat(values["taken_at"]).astimezone(UTC)})
    except (OSError, ValueError, KeyError, TypeError, yaml.YAMLError) as error:
        raise BackupError(
            f"The text beside the backup, {file}, cannot be read ({type(error).__name__}). Keep both files together as they were written."
        ) from error
