"""A backup is of one moment, whole or not there, and says what is in it."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.errors import BackupError
from bridge.store.backup import BackupText, back_up, check_file, is_beside, read_text
from bridge.store.migrate import NEWEST
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later

ROOT = Path(__file__).parents[2]
NAME = "padpost-20261125T100000Z.sqlite"


def take(folder: Path, to: Path, *, now: datetime = NOW) -> tuple[Path, BackupText]:
    return back_up(folder / FILE, to, now=now, spare_bytes=0)


def dump(file: Path) -> list[str]:
    """Give the whole content of a store as SQL text."""
    connection = sqlite3.connect(file)
    try:
        return list(connection.iterdump())
    finally:
        connection.close()


def test_a_backup_of_an_open_store_is_one_checked_file_and_its_text(tmp_path: Path) -> None:
    """The service holds the store; what was committed is in the copy, though it is only in the log yet."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    s.post(store, "A1", destinations=["records", "chart"])
    file, text = take(tmp_path / "data", tmp_path / "backups")
    assert sorted(path.name for path in (tmp_path / "backups").iterdir()) == [NAME, f"{NAME}.txt"]
    assert file == tmp_path / "backups" / NAME
    assert text == read_text(file)
    assert (text.file, text.taken_at, text.schema, text.epoch) == (NAME, NOW, NEWEST, store.epoch)
    assert (text.counts["captures"], text.counts["strips"], text.counts["deliveries"]) == (1, 1, 2)
    assert text.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert text.size_bytes == file.stat().st_size
    assert [path.stat().st_mode & 0o777 for path in (file, file.with_name(f"{NAME}.txt"))] == [0o600, 0o600]
    s.post(store, "A2")
    store.close()
    copied = sqlite3.connect(file)
    assert copied.execute("SELECT result_id FROM results").fetchall() == [("A1",)]
    assert copied.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    copied.close()


def test_a_backup_is_of_one_moment_while_the_store_is_written(tmp_path: Path) -> None:
    """Every table of the copy agrees with the others: a strip for each capture, an event for each, whatever was committed meanwhile."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    for number in range(300):
        s.post(store, f"B{number}")
    stop = threading.Event()

    def write() -> None:
        number = 300
        while not stop.is_set():
            s.post(store, f"B{number}")
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        taken = [take(tmp_path / "data", tmp_path / "backups", now=later(turn))[1] for turn in range(3)]
    finally:
        stop.set()
        writer.join()
        store.close()
    for text in taken:
        counts = text.counts
        assert counts["strips"] == counts["results"] == counts["deliveries"] >= 300
        assert 0 <= counts["captures"] - counts["strips"] <= 1  # one kept and not judged yet
        assert counts["events"] == counts["captures"] + 2 * counts["strips"]
    assert taken[0].counts["strips"] < taken[2].counts["strips"]


@pytest.mark.slow
def test_a_backup_killed_at_any_touch_leaves_nothing_that_looks_whole(tmp_path: Path) -> None:
    """Killed before each opening, renaming or removing: either no file of a backup's name, or one that is whole with its text."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    s.post(store, "A1")
    store.close()
    ends = []
    for touch in range(1, 60):
        to = tmp_path / f"backups-{touch}"
        child = [sys.executable, "-m", "tests.store.dying", str(touch), "backup", str(tmp_path / "data" / FILE), str(to)]
        ended = subprocess.run(child, cwd=ROOT, check=False, timeout=60).returncode
        ends.append(ended)
        for file in to.glob("*.sqlite"):
            text = read_text(file)
            assert text.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
            check_file(file, text.counts)
        if ended == 0:
            break
        if to.exists():
            file, text = take(tmp_path / "data", to, now=later(6))  # the next one clears away what was left
            assert not list(to.glob("*.part"))
            assert text.counts["strips"] == 1
    assert ends[-1] == 0
    assert len(ends) > 8
    assert set(ends[:-1]) == {-signal.SIGKILL}


def test_a_second_backup_into_the_folder_waits_for_nobody(tmp_path: Path) -> None:
    """Two at once would clear away each other's unfinished file."""
    SqliteStore(tmp_path / "data", now=lambda: NOW).close()
    to = tmp_path / "backups"
    to.mkdir()
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import fcntl,os,sys\nfcntl.flock(os.open(sys.argv[1], 0), 2)\nprint('has', flush=True)\ninput()",
            to,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"has\n"
    with pytest.raises(BackupError, match=r"^Another backup into .*backups is under way\. Wait for its end\.$"):
        take(tmp_path / "data", to)
    holder.communicate(b"\n", timeout=30)
    assert take(tmp_path / "data", to)[0].exists()
    with pytest.raises(BackupError, match=rf"{NAME} is there already\. Try again in a second\.$"):
        take(tmp_path / "data", to)


def test_no_store_and_no_room_are_told(tmp_path: Path) -> None:
    """A backup never fills the disk that strips are kept on."""
    with pytest.raises(BackupError, match=r"^There is no store at .*Check site\.data in the site configuration\.$"):
        take(tmp_path / "data", tmp_path / "backups")
    SqliteStore(tmp_path / "data", now=lambda: NOW).close()
    (tmp_path / "backups").mkdir()
    assert is_beside(tmp_path / "data" / FILE, tmp_path / "backups")
    free = shutil.disk_usage(tmp_path).free
    with pytest.raises(BackupError, match=r"^There is no room for a backup in .* MB are free, \d+ MB are needed\."):
        back_up(tmp_path / "data" / FILE, tmp_path / "backups", now=NOW, spare_bytes=free)
    assert list((tmp_path / "backups").iterdir()) == []


def test_a_folder_in_a_place_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """HZ-H09: a mistyped name, or a disk that is not mounted, must not end as a copy beside the store."""
    SqliteStore(tmp_path / "data", now=lambda: NOW).close()
    with pytest.raises(BackupError, match=r"^There is no folder .*nope\. Look whether the name is right and the disk is there"):
        take(tmp_path / "data", tmp_path / "nope" / "backups")
    assert not (tmp_path / "nope").exists()


def test_a_damaged_store_gives_no_backup(tmp_path: Path) -> None:
    """A copy that fails its check is never given a backup's name: an older, sound one is worth more."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    for number in range(200):
        s.post(store, f"C{number}")
    store.close()
    with (tmp_path / "data" / FILE).open("r+b") as file:
        file.seek(4096 * 40)
        file.write(os.urandom(4096 * 3))
    with pytest.raises(BackupError, match=r"is damaged|was not taken"):
        take(tmp_path / "data", tmp_path / "backups")
    assert list((tmp_path / "backups").iterdir()) == []


@pytest.mark.parametrize("spoilt", ["", "no: text\n", "[1, 2]\n", "file: {\n"])
def test_a_spoilt_text_is_told(tmp_path: Path, spoilt: str) -> None:
    """Without it nobody can say that the file is what was written."""
    SqliteStore(tmp_path / "data", now=lambda: NOW).close()
    file, _ = take(tmp_path / "data", tmp_path / "backups")
    file.with_name(f"{NAME}.txt").write_text(spoilt, encoding="utf-8")
    with pytest.raises(
        BackupError, match=r"^The text beside the backup, .*\.txt, cannot be read \(\w+\)\. Keep both files together"
    ):
        read_text(file)


def test_the_content_is_the_same_row_by_row(tmp_path: Path) -> None:
    """Compared as SQL text of the whole database, which SQLite's own dump writes."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    s.post(store, "A1")
    s.keep(store, b"waiting")
    file, text = take(tmp_path / "data", tmp_path / "backups")
    store.close()
    assert dump(file) == dump(tmp_path / "data" / FILE)
    assert text.taken_at.tzinfo == UTC


def test_a_folder_that_cannot_be_made_is_told(store: SqliteStore, tmp_path: Path) -> None:
    """A file has its name, or its disk is not mounted: a sentence, since this runs every night and nobody looks on."""
    (tmp_path / "taken").write_bytes(b"")
    with pytest.raises(BackupError, match=r"^The backup was not taken: .*taken.*\. Check the disk of .*taken and its rights\.$"):
        back_up(tmp_path / FILE, tmp_path / "taken", now=NOW, spare_bytes=0)
    assert store.fault == ""
