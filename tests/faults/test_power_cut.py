"""Power cuts under the real service, on a disk that forgets what was never fsynced: what was acknowledged is never lost.

Promises 1 and 2 of the reliability notes, after Jepsen's total-queue checker (lost = acknowledged minus received). The chart's
server is away until the end: nothing that the disk forgets can have been saved by an early delivery.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import pytest

from bridge.receive import folder_files
from tests.faults.disk import Disk, sync_folder
from tests.faults.records import TWO
from tests.faults.scene import Scene

CUTS = 2
BATCHES = 15  # more brought before each cut
LONGEST_S = 0.6  # from the first answer after a start to the cut

pytestmark = [pytest.mark.needs_root, pytest.mark.slow]


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


def test_the_disk_forgets_what_was_never_fsynced(tmp_path: Path) -> None:
    """The instrument itself: bytes live by fsync of the file, names by fsync of the folder, and nothing else."""
    with Disk(tmp_path, seed=1) as disk:
        safe, bytes_only, unsynced = (disk.place / name for name in ("safe", "bytes", "unsynced"))
        with safe.open("wb") as file:
            file.write(b"safe")
            file.flush()
            os.fsync(file.fileno())
        sync_folder(disk.place)
        with bytes_only.open("wb") as file:
            file.write(b"nameless")
            file.flush()
            os.fsync(file.fileno())
        unsynced.write_bytes(b"never")
        with safe.open("ab") as file:
            file.write(b", more")
        assert safe.read_bytes() == b"safe, more"
        disk.cut(torn=False)
        with pytest.raises(OSError, match="Input/output error"):
            safe.read_bytes()
        disk.mount_again()
        assert {path.name: path.read_bytes() for path in disk.place.iterdir()} == {"safe": b"safe"}


@pytest.mark.parametrize("syncs", range(4))
def test_a_cut_while_a_file_is_put_away_leaves_it_in_one_place(
    syncs: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A refused file's bytes are nowhere else: whichever syncs came before the cut, it lies in the folder or in refused/, whole."""
    with Disk(tmp_path, seed=2) as disk:
        file = disk.place / "big.txt"
        with file.open("wb") as opened:
            opened.write(b"all of it")
            opened.flush()
            os.fsync(opened.fileno())
        sync_folder(disk.place)
        left = iter(range(syncs))

        def sync(folder: Path) -> None:
            if next(left, None) is None:
                disk.cut(torn=False)
            sync_folder(folder)

        monkeypatch.setattr(folder_files, "_sync", sync)
        (seen,) = folder_files.look(disk.place)
        with suppress(OSError):  # the cut
            folder_files.put_away(disk.place, seen, folder_files.REFUSED)
            disk.cut(torn=False)
        disk.mount_again()
        there = [path for path in (file, disk.place / "refused" / "big.txt") if path.exists()]
        assert [path.read_bytes() for path in there] == [b"all of it"]


@pytest.mark.parametrize(("way", "seed"), [("file", 11), ("serial", 12), ("tcp", 13)])
def test_power_cuts_lose_nothing_that_was_acknowledged(way: str, seed: int, tmp_path: Path, stack: ExitStack) -> None:
    """A line's last ACK and a file in done/ are promises: after each cut they are still there, under the same identity. HZ-F09."""
    scene = Scene(tmp_path, stack, way=way, seed=seed)
    scene.records.away.set()
    for number in range(1, CUTS + 1):
        scene.serve_and_cut(scene.chance.uniform(0, LONGEST_S), number * BATCHES, at_arrival=number == CUTS)
    kept = len(scene.journal.history.acknowledged)
    scene.drain(CUTS * BATCHES)
    history = scene.journal.history
    assert history.faults(TWO) == []
    assert len(history.arrived) > 2 * len(history.submitted)  # the last cut came between a receiver's taking and its answer
    assert kept >= CUTS  # each cut came after an answer at least
    assert scene.disk.lost_bytes > 0  # and the disk did forget something
    print(
        f"{way}: {kept} acknowledged before the last cut, {len(history.submitted)} in all; {scene.disk.lost_bytes} bytes forgotten"
    )


def test_on_a_disk_that_lies_the_same_cut_loses_strips(tmp_path: Path, stack: ExitStack) -> None:
    """The proof of the proof: where fsync returns without making anything durable, this test sees acknowledged strips lost."""
    scene = Scene(tmp_path, stack, way="serial", seed=14)
    scene.served.start()
    scene.served.wait_ready()
    scene.served.stop()
    scene.disk.tell("set lie 1")
    scene.serve_and_cut(0.2, BATCHES)
    acknowledged = len(scene.journal.history.acknowledged)
    with closing(sqlite3.connect(scene.disk.place / "store" / "padpost.sqlite")) as store:
        (kept,) = store.execute("SELECT count(*) FROM captures").fetchone()
    assert kept < acknowledged
