"""One real service with one way in and a folder of its own: what single faults are played on, apart from the long-lived store."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from bridge import clock
from bridge.store.sqlite import FILE
from tests.faults.disk import Disk, sync_folder
from tests.faults.feeders import Dropper, Feeder, Line, Open, Pty, are_feeding, caller
from tests.faults.journal import Journal
from tests.faults.records import TWO, Records
from tests.faults.served import Served, free_port
from tests.faults.strips import Batch, Inventor

DRAIN_S = 60.0  # the end must come on; this long without any movement is a failure
# As little as the settings allow: these disks are small, and are to be met full. tests/faults/test_disk_pressure.py has the floor itself
ROOM = "room: {refuse_below_mb: 1, warn_below_mb: 1, refuse_below_files: 0}\n"
WAYS = ("file", "serial", "tcp")


DELIVERED = "SELECT destination, control_id FROM deliveries WHERE state = 'accepted'"
STOPPED = "SELECT rule, count(*) FROM stops WHERE state = 'open' AND rule <> 'read.torn' GROUP BY rule ORDER BY rule"


def delivered(file: Path) -> set[tuple[str, str]]:
    """Give what the service marked as delivered, by destination and control ID: its own word, held against the receivers'."""
    with closing(sqlite3.connect(file)) as db:
        return set(db.execute(DELIVERED))


def stopped(file: Path) -> list[str]:
    """Give a breach for each kind of stop: nothing in these runs is refused for good, so nobody may be asked to look.

    But for a sender that was cut off in the middle of a strip: what came of it is kept, and it sends the strip again.
    """
    with closing(sqlite3.connect(file)) as db:
        return stop_words(db.execute(STOPPED).fetchall())


def stop_words(found: Iterable[tuple[str, int]]) -> list[str]:
    """Give the breaches of ``stopped`` for what was found."""
    return [f"{count} stopped for a person by {rule}, and nobody had refused anything" for rule, count in found]


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What a stage is set up by: the way in (one of WAYS), a seed, the site's zone, the first strip's date, and a store to begin with."""

    way: str
    seed: int
    zone: str = "UTC"
    began: datetime | None = None
    template: Path | None = None


class Stage:
    """A service with its store and drop folder in ``place``, its record systems, and one way in."""

    def __init__(self, home: Path, stack: ExitStack, terms: Terms, *, place: Path) -> None:
        self.chance = random.Random(terms.seed)
        self.place = place
        self.breaches: list[str] = []
        self.journal = Journal(home / "history.jsonl")
        stack.callback(self.journal.close)
        self.records = stack.enter_context(Records(self.journal, self._happened))
        self.drops = place / "drops"
        self.drops.mkdir()
        self.store = place / "store"
        self._before: set[tuple[str, str]] = set()  # what the template's own service delivered, to other receivers
        if terms.template is not None:
            self._begin_with(terms.template)
        sync_folder(place)
        self.line: Open | None = None
        source = self._source(terms.way, stack)
        profile = "brook-file" if terms.way == "file" else "brook"
        began = terms.began or clock.now() - timedelta(days=20)
        self._inventor = Inventor(profile=profile, letter=terms.way[0].upper(), seed=terms.seed, began=began)
        self.served = Served(
            home,
            data=self.store,
            sources=f"  - {{name: in, analyzer: bench, profile: {profile}, {source}}}\n",
            destinations=self.records.destinations + ROOM,
            zone=terms.zone,
        )
        stack.callback(self.served.end)

    def _begin_with(self, template: Path) -> None:
        """Begin with another store's rows, durably: its message plans are checked already."""
        self.store.mkdir()
        copy = self.store / FILE
        shutil.copyfile(template, copy)
        with copy.open("rb+") as file:
            os.fsync(file.fileno())
        sync_folder(self.store)
        self._before = delivered(template)

    def _source(self, way: str, stack: ExitStack) -> str:
        """Give the source's settings, and note how its line is opened."""
        match way:
            case "serial":
                pty = Pty()
                stack.callback(pty.close)
                self.line = pty.open
                return f"kind: serial, link: lis01, port: {pty.port}, reopen_s: 0.1"
            case "tcp":
                port = free_port()
                self.line = caller(port)
                return f"kind: tcp, role: listen, link: lis01, port: {port}, reopen_s: 0.1"
            case _:
                return f'kind: folder, path: "{self.drops}", complete: rename, sweep_s: 0.1'

    def batch(self, number: int) -> Batch:
        """Give the ``number``-th batch, from 0."""
        return self._inventor.batch(number)

    def feed(self, last: int, cut: threading.Event) -> Feeder:
        """Bring the batches up to ``last`` that are not acknowledged yet."""
        batches = [self.batch(number) for number in range(last)]
        left = [batch for batch in batches if not all(map(self.journal.is_acknowledged, batch.strips))]
        feeder = self._feeder(left, cut)
        feeder.start()
        return feeder

    def _feeder(self, left: Sequence[Batch], cut: threading.Event) -> Feeder:
        if self.line is None:
            return Dropper(self.drops, left, self.journal, cut, lambda _: False)
        return Line(self.line, left, self.journal, cut, lambda _: False)

    def wait_for_an_answer(self, before: int) -> None:
        """Wait until more than ``before`` strips are acknowledged. Raises AssertionError if none comes."""
        until = time.monotonic() + DRAIN_S
        while len(self.journal.history.acknowledged) <= before:
            assert time.monotonic() < until, self.served.log[-2000:]
            time.sleep(0.001)

    def _happened(self, kind: str) -> bool:
        """Take a receiver's report, which waits for this before it answers."""
        del kind
        return False

    def drain(self, last: int) -> None:
        """Serve until every strip is acknowledged and with both receivers; then stop cleanly."""
        self.records.calm()
        if not self.served.is_running:
            self.served.start()
        self.served.wait_ready()
        cut = threading.Event()
        feeder = self.feed(last, cut)
        is_through = self.journal.wait_for_all(TWO, bound_s=DRAIN_S, is_feeding=are_feeding([feeder]))
        cut.set()
        feeder.join()
        assert is_through, (self.faults(), self.served.log[-2000:])
        self.served.stop()

    def faults(self) -> list[str]:
        """Give every breach of the promises; the service's marks and stops are among what is judged."""
        file = self.store / FILE
        found = self.journal.history.faults(TWO, marked=delivered(file) - self._before)
        return self.breaches + found + stopped(file)


class Scene(Stage):
    """A stage on a simulated disk whose power can be cut."""

    def __init__(self, home: Path, stack: ExitStack, *, way: str, seed: int, template: Path | None = None) -> None:
        self.disk = stack.enter_context(Disk(home, seed=seed))
        self._is_armed = threading.Event()
        self._is_off = threading.Event()
        super().__init__(home, stack, Terms(way=way, seed=seed, template=template), place=self.disk.place)

    def serve_and_cut(self, seconds: float, last: int, *, at_arrival: bool = False) -> None:
        """Serve and feed, and cut the power ``seconds`` after the first answer of this start; or at an arrival after it.

        ``at_arrival``: the receiver has the message, and its answer comes too late.
        """
        self.served.start()
        self.served.wait_ready()
        cut = threading.Event()
        before = len(self.journal.history.acknowledged)
        feeder = self.feed(last, cut)
        self.wait_for_an_answer(before)
        self._is_off.clear()
        if at_arrival:
            self._is_armed.set()
            assert self._is_off.wait(DRAIN_S), self.served.log[-2000:]
        else:
            time.sleep(seconds)  # the moment of the cut is the seed's choice, not a wait for anything
            self._cut()
        self.served.kill()
        cut.set()
        feeder.join()
        self.disk.mount_again()

    def _cut(self) -> None:
        self.disk.cut(torn=self.chance.random() < 0.5)
        self._is_off.set()

    def _happened(self, kind: str) -> bool:
        """Take a receiver's report, which waits for this before it answers."""
        del kind  # receivers report arrivals only
        if not self._is_armed.is_set():
            return False
        self._is_armed.clear()
        self._cut()
        self.served.strike()
        return True
