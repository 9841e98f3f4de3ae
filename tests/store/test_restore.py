"""A backup takes the store's place only where it is whole; the old store stays; nothing that may have gone out goes again."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.errors import BackupError, StoreFailed, StoreLocked
from bridge.model import DeliveryState
from bridge.store.backup import back_up
from bridge.store.restore import open_epoch, restore
from bridge.store.sqlite import FILE, RESTORING, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later
from tests.store.test_backup import ROOT, dump


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    """Give a store with one queued result, backed up; then another strip came and both went."""
    store = SqliteStore(tmp_path / "data", now=lambda: NOW)
    s.post(store, "A1", lane="1")
    file, _ = back_up(tmp_path / "data" / FILE, tmp_path / "backups", now=later(1), spare_bytes=0)
    s.post(store, "A2", lane="2")
    store.close()
    return file


def opened(folder: Path) -> SqliteStore:
    return SqliteStore(folder, now=lambda: later(90))


def test_a_restore_into_an_empty_folder(tmp_path: Path, backup: Path) -> None:
    """What the backup has is there, reviewed, under a new epoch; it opens and takes strips. HZ-H09, HZ-J05."""
    done = restore(backup, tmp_path / "new", now=later(60), replace=False)
    assert (done.taken_at, done.aside, done.reviewed.deliveries) == (later(1), None, 1)
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["padpost.lock", FILE]
    store = opened(tmp_path / "new")
    assert store.epoch == done.reviewed.epoch != done.reviewed.old_epoch
    assert s.states(store, "A1") == {"records": DeliveryState.UNSURE}
    assert s.states(store, "A2") == {}
    s.post(store, "A2", lane="2")
    store.close()


def test_a_store_that_is_there_is_kept_aside(tmp_path: Path, backup: Path) -> None:
    """Not without saying so; and then under a name with the date, whole, with its log."""
    before = dump(tmp_path / "data" / FILE)
    with pytest.raises(
        BackupError, match=r"^There is a store in .* already\. Say --replace to keep it aside, under a name with the date"
    ):
        restore(backup, tmp_path / "data", now=later(60), replace=False)
    assert dump(tmp_path / "data" / FILE) == before
    done = restore(backup, tmp_path / "data", now=later(60), replace=True)
    assert done.aside == tmp_path / "data" / "replaced-20261125T110000Z"
    assert dump(done.aside / FILE) == before
    store = opened(tmp_path / "data")
    assert [stop.rule for stop in store.stops()] == ["restore.unsure"]
    store.close()


def test_a_store_in_use_is_not_replaced(tmp_path: Path, backup: Path) -> None:
    """The process that has it is named, as for a second service."""
    store = opened(tmp_path / "data")
    with pytest.raises(StoreLocked, match=f"^process {os.getpid()} on "):
        restore(backup, tmp_path / "data", now=later(60), replace=True)
    with pytest.raises(StoreLocked):
        open_epoch(tmp_path / "data", now=later(60))
    s.post(store, "A3", lane="3")
    store.close()


@pytest.mark.parametrize("harm", ["byte", "cut", "no text", "newer", "no file"])
def test_a_backup_that_is_not_whole_replaces_nothing(tmp_path: Path, backup: Path, harm: str) -> None:
    """The store that is there is the better one of the two."""
    text = backup.with_name(f"{backup.name}.txt")
    match harm:
        case "byte":
            with backup.open("r+b") as file:
                file.seek(30_000)
                file.write(b"\xff\x00")
        case "cut":
            os.truncate(backup, backup.stat().st_size - 4096)
        case "no text":
            text.unlink()
        case "newer":
            text.write_text(re.sub(r"schema: .*", "schema: '9999'", text.read_text(encoding="utf-8")), encoding="utf-8")
        case _:
            backup.unlink()
    before = sorted((tmp_path / "data").iterdir())
    with pytest.raises(BackupError, match=r"is not what was written|cannot be read|is of a newer Padpost|There is no backup at"):
        restore(backup, tmp_path / "data", now=later(60), replace=True)
    assert sorted((tmp_path / "data").iterdir()) == before
    opened(tmp_path / "data").close()


def test_the_epoch_of_the_store_that_is_replaced_never_comes_again(tmp_path: Path, backup: Path) -> None:
    """It gave identities of its own; a damaged one, whose epoch cannot be read, is replaced all the same."""
    first = restore(backup, tmp_path / "data", now=later(60), replace=True)
    second = restore(backup, tmp_path / "data", now=later(61), replace=True)
    assert len({first.reviewed.old_epoch, first.reviewed.epoch, second.reviewed.epoch}) == 3
    (tmp_path / "data" / FILE).write_bytes(b"no store" * 1000)
    third = restore(backup, tmp_path / "data", now=later(62), replace=True)
    assert third.aside is not None
    assert (third.aside / FILE).read_bytes() == b"no store" * 1000
    opened(tmp_path / "data").close()


@pytest.mark.slow
def test_a_restore_killed_at_any_touch_is_the_old_store_or_is_gone_on_with(tmp_path: Path, backup: Path) -> None:
    """Killed before each opening, renaming or removing: the old store opens as it was, or a start is refused until the same command ran again."""
    old_dump = dump(tmp_path / "data" / FILE)
    refused, ends = 0, []
    for touch in range(1, 80):
        folder = tmp_path / f"data-{touch}"
        shutil.copytree(tmp_path / "data", folder)
        child = [sys.executable, "-m", "tests.store.dying", str(touch), "restore", str(backup), str(folder)]
        ended = subprocess.run(child, cwd=ROOT, check=False, timeout=60).returncode
        ends.append(ended)
        if (folder / RESTORING).exists():
            refused += 1
            with pytest.raises(
                StoreFailed, match=r"was cut short\. Run the same padpost restore command again, then start Padpost\.$"
            ):
                opened(folder)
            restore(backup, folder, now=later(61), replace=False)  # goes on, without being told anew that a store is there
        asides = list(folder.glob("replaced-*"))
        if asides:
            assert len(asides) == 1
            assert dump(asides[0] / FILE) == old_dump
            store = opened(folder)
            assert s.states(store, "A1") == {"records": DeliveryState.UNSURE}
            assert s.states(store, "A2") == {}
            store.close()
        else:
            assert dump(folder / FILE) == old_dump
            opened(folder).close()
        shutil.rmtree(folder)
        if ended == 0:
            break
    assert ends[-1] == 0
    assert len(ends) > 15
    assert refused > 3
    assert set(ends[:-1]) == {-signal.SIGKILL}


def test_a_store_that_a_snapshot_put_back_is_reviewed_in_place(tmp_path: Path, backup: Path) -> None:
    """A machine or a disk set back to yesterday is a restore too: the newest event stands for the backup's time."""
    (tmp_path / "vm").mkdir()
    shutil.copy(backup, tmp_path / "vm" / FILE)
    done = open_epoch(tmp_path / "vm", now=later(60))
    assert (done.taken_at, done.aside, done.reviewed.deliveries) == (NOW, None, 1)
    store = opened(tmp_path / "vm")
    assert (store.epoch, s.states(store, "A1")) == (done.reviewed.epoch, {"records": DeliveryState.UNSURE})
    store.close()
    with pytest.raises(BackupError, match=r"^There is no store in .*nowhere\."):
        open_epoch(tmp_path / "nowhere", now=later(60))


def test_a_backup_of_an_earlier_schema_is_brought_forward(tmp_path: Path, backup: Path) -> None:
    """A backup outlives an upgrade; what is restored is of the newest schema."""
    older = tmp_path / "older"
    older.mkdir()
    connection = sqlite3.connect(older / FILE)
    connection.close()
    from alembic import command  # noqa: PLC0415 - takes a quarter of a second
    from alembic.config import Config  # noqa: PLC0415 - as above

    config = Config()
    config.set_main_option("script_location", str(ROOT / "bridge/store/migrations"))
    config.attributes["target"] = f"sqlite:///{older / FILE}"
    command.upgrade(config, "0002")
    connection = sqlite3.connect(older / FILE)
    connection.execute("INSERT INTO meta VALUES ('epoch', 'ABCDE'), ('next_number', '1')")
    connection.commit()
    connection.close()
    file, text = back_up(older / FILE, tmp_path / "backups", now=later(2), spare_bytes=0)
    assert text.schema == "0002"
    assert restore(file, tmp_path / "new", now=later(60), replace=False).reviewed.old_epoch == "ABCDE"
    opened(tmp_path / "new").close()


def test_a_name_that_is_no_backups_is_told_as_that(tmp_path: Path) -> None:
    """Not as a text that is missing beside it: the name was mistyped."""
    with pytest.raises(BackupError) as caught:
        restore(tmp_path / "padpost-20261125.sqlite", tmp_path / "data", now=later(60), replace=False)
    assert str(caught.value) == f"There is no backup at {tmp_path}/padpost-20261125.sqlite. Check the name."
    assert not (tmp_path / "data").exists()


def test_a_folder_that_cannot_be_used_is_told(tmp_path: Path, backup: Path) -> None:
    """A file has the name of the data folder; nothing was touched."""
    (tmp_path / "taken").write_bytes(b"")
    with pytest.raises(
        BackupError, match=r"^The backup could not be put in place: .*taken.*\. Check the disk and the rights of .*taken\.$"
    ):
        restore(backup, tmp_path / "taken", now=later(60), replace=False)
