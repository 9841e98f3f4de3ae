"""A disk that fills, and one that runs out of files: strips are refused before the store is at risk, what is here is still sent, and it recovers by itself.

The real service over a real pty, TCP and a folder, its store on a memory disk of its own size and number of files (tmpfs, mount(8)).
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.store.sqlite import FILE
from tests.faults.feeders import Dropper, Feeder, Line, Pty, caller
from tests.faults.journal import Journal
from tests.faults.records import TWO, Records
from tests.faults.served import Served, free_port
from tests.faults.strips import Batch, Inventor

PATIENCE_S = 60.0
SIZE_MB, FILES = 24, 300
LIMITS = "room: {refuse_below_mb: 6, warn_below_mb: 8, refuse_below_files: 40}\n"
SOURCES = """\
  - {{name: serial, analyzer: bench-s, profile: brook, kind: serial, link: lis01, port: {pty}, reopen_s: 0.1}}
  - {{name: tcp, analyzer: bench-t, profile: brook, kind: tcp, role: listen, link: lis01, port: {tcp}, reopen_s: 0.1}}
  - {{name: drops, analyzer: bench-d, profile: brook-file, kind: folder, path: "{drops}", complete: rename, sweep_s: 0.1}}
"""

pytestmark = [pytest.mark.needs_root, pytest.mark.slow]


def wait(claim: Callable[[], object], what: str) -> None:
    until = time.monotonic() + PATIENCE_S
    while not claim():
        assert time.monotonic() < until, f"it did not come: {what}"
        time.sleep(0.02)


class Pressed:
    """A service whose store lies on a small disk, with its three ways in and two receivers."""

    def __init__(self, home: Path, stack: ExitStack) -> None:
        self.disk = home / "disk"
        self.disk.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m,nr_inodes={FILES}", "tmpfs", str(self.disk)]
        subprocess.run(mount, check=True)
        stack.callback(subprocess.run, ["umount", "--lazy", str(self.disk)], check=True)
        self.journal = Journal(home / "history.jsonl")
        stack.callback(self.journal.close)
        self.records = stack.enter_context(Records(self.journal))
        self.drops = home / "drops"
        self.drops.mkdir()
        pty, port = Pty(), free_port()
        stack.callback(pty.close)
        self._lines = {"serial": pty.open, "tcp": caller(port)}
        began = clock.now() - timedelta(days=20)
        self._inventors = {
            way: Inventor(profile="brook-file" if way == "drops" else "brook", letter=way[0].upper(), seed=number, began=began)
            for number, way in enumerate(("serial", "tcp", "drops"))
        }
        self.served = Served(
            home,
            data=self.disk / "store",
            sources=SOURCES.format(pty=pty.port, tcp=port, drops=self.drops),
            destinations=self.records.destinations + LIMITS,
        )
        stack.callback(self.served.end)

    def batches(self, first: int, last: int) -> dict[str, list[Batch]]:
        return {way: [inventor.batch(number) for number in range(first, last)] for way, inventor in self._inventors.items()}

    def feed(self, batches: dict[str, list[Batch]], cut: threading.Event) -> list[Feeder]:
        """Begin to bring them on all three ways at once."""
        feeders: list[Feeder] = [Line(self._lines[way], batches[way], self.journal, cut, lambda _: False) for way in self._lines]
        feeders.append(Dropper(self.drops, batches["drops"], self.journal, cut, lambda _: False))
        for feeder in feeders:
            feeder.start()
        return feeders

    def see_through(self, feeders: list[Feeder]) -> None:
        """Wait until everything that was brought is acknowledged and with both receivers."""
        assert self.journal.wait_for_all(TWO, bound_s=PATIENCE_S), self.served.log[-3000:]
        for feeder in feeders:
            feeder.join()

    def says(self, status: str) -> bool:
        found, answer = self.served.health()
        return found == 200 and answer.get("status") == status

    def refused(self) -> set[str]:
        """Name the ways in whose strips the service would not take."""
        lines = [json.loads(line) for line in self.served.log.splitlines() if line.startswith("{")]
        return {line["source"] for line in lines if line["event"] == "capture.not_kept" and line["cause"] == "StoreFull"}

    def acknowledged(self) -> int:
        return len(self.journal.history.acknowledged)


@pytest.fixture
def pressed(tmp_path: Path) -> Iterator[Pressed]:
    with ExitStack() as stack:
        yield Pressed(tmp_path, stack)


def fill_bytes(disk: Path) -> Callable[[], None]:
    """Leave five MB of room: less than is held back. Gives what makes room again."""
    ballast = disk / "ballast"
    free = os.statvfs(disk)
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, free.f_bavail * free.f_frsize - 5_000_000)
    return ballast.unlink


def fill_files(disk: Path) -> Callable[[], None]:
    """Leave thirty files to be made: fewer than are held back. Gives what makes room again."""
    litter = [disk / f"litter-{number}" for number in range(os.statvfs(disk).f_favail - 30)]
    for each in litter:
        each.touch()

    def clear() -> None:
        for each in litter:
            each.unlink()

    return clear


@pytest.mark.parametrize("fill", [fill_bytes, fill_files])
def test_strips_are_refused_in_time_and_taken_again(pressed: Pressed, fill: Callable[[Path], Callable[[], None]]) -> None:
    """Three ways in; a receiver that is away until the disk is short, so that its deliveries must be written just then. HZ-F08."""
    pressed.served.start()
    pressed.served.wait_ready()
    pressed.records.away.set()
    cut = threading.Event()
    early = pressed.batches(0, 3)
    first = pressed.feed(early, cut)
    strips = sum(len(batch.strips) for each in early.values() for batch in each)
    wait(lambda: pressed.acknowledged() == strips, "the first strips are acknowledged")

    make_room = fill(pressed.disk)
    wait(lambda: pressed.says("degraded"), "it says that it takes nothing in")
    _, answer = pressed.served.health()
    assert answer["reasons"][0].startswith("No strip is taken in, though results that are here already are still sent:")
    more = pressed.feed(pressed.batches(3, 5), cut)
    wait(lambda: pressed.refused() >= {"serial", "tcp", "drops"}, "each way in is refused: NAK on a line, and a file stays")
    wait(lambda: sum(1 for each in pressed.drops.iterdir() if each.is_file()) == 2, "files lie where they were dropped")
    pressed.records.away.clear()
    wait(lambda: len(pressed.journal.history.arrived) >= 2 * strips, "what is here already is delivered to both receivers")
    assert pressed.acknowledged() == strips  # not one more while room is short
    assert pressed.served.is_running
    assert pressed.served.log.count('"event":"room.refusing"') == 1

    make_room()
    pressed.see_through([*first, *more])  # the analyzers come again by themselves, and the files are taken
    assert pressed.says("ready")
    assert pressed.served.log.count('"event":"room.back"') == 1
    assert pressed.journal.history.faults(TWO) == []
    pressed.served.stop()
    with closing(sqlite3.connect(pressed.disk / "store" / FILE)) as store:
        assert store.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert store.execute("PRAGMA foreign_key_check").fetchall() == []
