"""The rounds that are played on a store of their own, and judged at once: disks, migrations, and a change of the clocks.

Each is played whole or not at all: a campaign that was killed in the middle of one clears it away and plays it again.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from alembic import command
from alembic.config import Config

from bridge.clock import now
from bridge.store import migrate
from bridge.store.codec import packed, when
from bridge.store.sqlite import FILE
from tests.faults.disk import sync_folder
from tests.faults.history import History
from tests.faults.mainline import faked
from tests.faults.menu import Fault, Round
from tests.faults.scene import WAYS, Scene, Stage, Terms
from tests.faults.served import PATIENCE_S, end_orphan
from tests.faults.strips import Batch
from tests.faults.tracer import Spot, under

BATCHES = 8  # brought in a round of this kind
FILL_S = 1.0  # how long a disk stays full
DISK = "size=6m"  # of a tmpfs: a store, its log, and a little
NAMES = "nr_inodes=24"
_STEPS = sorted(path.name[1:5] for path in (Path(migrate.__file__).parent / "migrations" / "versions").glob("m*.py"))
OLD = tuple(step for step in _STEPS if step != migrate.NEWEST)  # schemas that a store may come from
WRITES = 60  # of a store that is brought forward: a kill comes at one of the first so many
ZONE = ZoneInfo("Europe/Vienna")
# Directive 2000/84/EC, articles 2 and 3: 01:00 UTC on the last Sunday of March and of October
CHANGES = (datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC))
BEFORE_CHANGE = timedelta(seconds=4)  # a start takes some of it


class Aside:
    """Plays such rounds below ``home``. ``template`` is a store whose message plans are checked already."""

    def __init__(self, home: Path, template: Path) -> None:
        self._home = home
        self._template = template
        self._plays: Mapping[Fault, Callable[[Round, ExitStack], Stage]] = {
            Fault.POWER_CUT: self._cut_power,
            Fault.FULL_DISK: self._fill_disk,
            Fault.FULL_INODES: self._fill_names,
            Fault.KILL_IN_MIGRATION: self._kill_migration,
            Fault.CLOCK_DST: self._change_clocks,
        }

    def play(self, chosen: Round) -> tuple[History, list[str]]:
        """Play a round; give its history and every breach."""
        clear(self._home)
        self._home.mkdir()
        with ExitStack() as stack:
            stage = self._plays[chosen.fault](chosen, stack)
            found = [f"round {chosen.number} ({chosen.fault}): {each}" for each in stage.faults()]
            history = stage.journal.history
        clear(self._home)
        return history, found

    # --- disks

    def _cut_power(self, chosen: Round, stack: ExitStack) -> Stage:
        scene = Scene(self._home, stack, way=_way(chosen), seed=chosen.chance, template=self._template)
        if chosen.is_chart_away:
            scene.records.away.set()
        scene.serve_and_cut(chosen.seconds / 2, BATCHES, at_arrival=chosen.count == 1)
        scene.drain(BATCHES)
        return scene

    def _fill_disk(self, chosen: Round, stack: ExitStack) -> Stage:
        """Let a running service meet a disk without room, then with room again."""
        stage = self._on_small_disk(chosen, stack, _way(chosen), DISK)
        stage.served.start()
        stage.served.wait_ready()
        with self._fed(stage):
            time.sleep(chosen.seconds / 3)  # the moment is the seed's choice, not a wait for anything
            ballast = stage.place / "ballast"
            with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(b"\0" * 4096)
            time.sleep(FILL_S)
            ballast.unlink()
        stage.drain(BATCHES)
        return stage

    def _fill_names(self, chosen: Round, stack: ExitStack) -> Stage:
        """Let the service start on a disk that has room for ``count`` - 1 names more, too few for its files or for done/."""
        stage = self._on_small_disk(chosen, stack, "file", NAMES)
        cut = threading.Event()
        feeder = stage.feed(2, cut)
        while len(list(stage.drops.glob("*.txt"))) < 2 and feeder.is_alive():
            time.sleep(0.01)
        taken: list[Path] = []
        with contextlib.suppress(OSError):
            while True:
                taken.append(stage.place / f"name{len(taken)}")
                taken[-1].touch()
        for name in taken[-chosen.count :]:  # the last of them could not be made
            name.unlink(missing_ok=True)
        stage.served.start()
        _wait_up_or_dead(stage)
        if "Traceback" in stage.served.log:
            stage.breaches.append("a disk without room for names was answered with a trace of the program")
        time.sleep(chosen.seconds / 3)  # as above
        for name in taken[: -chosen.count]:
            name.unlink()
        cut.set()
        feeder.join()
        stage.drain(BATCHES)
        return stage

    def _on_small_disk(self, chosen: Round, stack: ExitStack, way: str, option: str) -> Stage:
        place = self._home / "small"
        place.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", option, "tmpfs", str(place)], check=True)
        stack.callback(subprocess.run, ["umount", "-l", str(place)], check=True)
        return Stage(self._home, stack, Terms(way=way, seed=chosen.chance, template=self._template), place=place)

    @staticmethod
    @contextlib.contextmanager
    def _fed(stage: Stage) -> Iterator[None]:
        """Bring half of the batches meanwhile."""
        cut = threading.Event()
        feeder = stage.feed(BATCHES // 2, cut)
        try:
            yield
        finally:
            cut.set()
            feeder.join()

    # --- migrations

    def _kill_migration(self, chosen: Round, stack: ExitStack) -> Stage:
        """Bring a store of an older schema, full of strips that nobody judged yet, forward; die at one of its writes."""
        stage = self._in_plain_folder(chosen, stack, "UTC", None)
        for number in range(BATCHES):
            batch = stage.batch(number)
            for strip in batch.strips:
                stage.journal.submitted(strip)
        self._make_old(stage, OLD[chosen.chance % len(OLD)])
        for number in range(BATCHES):
            for strip in stage.batch(number).strips:
                stage.journal.acknowledged(strip)
        spot = Spot(calls="pwrite64", when=str(1 + chosen.chance % WRITES))
        stage.served.start(under=under(spot))
        _wait_up_or_dead(stage)
        stage.served.kill()
        stage.drain(BATCHES)
        return stage

    def _make_old(self, stage: Stage, schema: str) -> None:
        """Make a store as that schema had it, with one capture a batch that waits to be judged."""
        stage.store.mkdir()
        file = stage.store / FILE
        config = Config()
        config.set_main_option("script_location", str(Path(migrate.__file__).parent / "migrations"))
        config.attributes["target"] = f"sqlite:///{file}"
        command.upgrade(config, schema)
        with closing(sqlite3.connect(file)) as db:
            db.execute("ATTACH ? AS known", (str(self._template),))
            db.execute("INSERT INTO plan_checks (digest, fault, at) SELECT digest, fault, at FROM known.plan_checks")
            for number in range(BATCHES):
                self._insert(db, stage.batch(number), number + 1)
            db.commit()
        sync_folder(stage.store)

    @staticmethod
    def _insert(db: sqlite3.Connection, batch: Batch, number: int) -> None:
        at = when(now())
        db.execute(
            "INSERT INTO captures (id, analyzer, profile, source, way, name, arrived_at, torn, live, digest, payload)"
            " VALUES (?,'bench','brook-file','in','folder',?,?,0,0,?,?)",
            (number, batch.name, at, "d" * 64, packed(batch.text)),
        )
        db.execute("INSERT INTO intake (capture_id, analyzer, next_index, because) VALUES (?,'bench',0,'')", (number,))

    # --- clocks

    def _change_clocks(self, chosen: Round, stack: ExitStack) -> Stage:
        """Serve while the site's clocks change, with strips of the evening before and a receiver that is away across the change."""
        change = CHANGES[chosen.chance % len(CHANGES)]
        stage = self._in_plain_folder(chosen, stack, str(ZONE), change - timedelta(hours=12))
        clock = self._home / "clock"
        offset_s = int((change - BEFORE_CHANGE).timestamp() - now().timestamp())
        clock.write_text(f"{offset_s:+d}", encoding="ascii")
        stage.records.away.set()
        stage.served.start(under=faked(clock))
        stage.served.wait_ready()
        with self._fed(stage):
            time.sleep(max(0.0, change.timestamp() - offset_s - now().timestamp()) + chosen.seconds)  # until the change is over
        if chosen.ends_by_kill:
            stage.served.kill()
            stage.served.start(under=faked(clock))
        stage.drain(BATCHES)
        return stage

    def _in_plain_folder(self, chosen: Round, stack: ExitStack, zone: str, began: datetime | None) -> Stage:
        place = self._home / "plain"
        place.mkdir()
        way = "file" if chosen.fault is Fault.KILL_IN_MIGRATION else _way(chosen)
        template = None if chosen.fault is Fault.KILL_IN_MIGRATION else self._template
        terms = Terms(way=way, seed=chosen.chance, zone=zone, began=began, template=template)
        return Stage(self._home, stack, terms, place=place)


def _wait_up_or_dead(stage: Stage) -> None:
    """Wait until the service is ready, or has ended by whatever hand. Raises AssertionError if neither comes."""
    until = time.monotonic() + PATIENCE_S
    while stage.served.is_running and stage.served.health()[0] != 200:
        assert time.monotonic() < until, stage.served.log[-2000:]
        time.sleep(0.02)


def _way(chosen: Round) -> str:
    return WAYS[chosen.chance % len(WAYS)]


def clear(home: Path) -> None:
    """Take away what a round left below ``home``, also one whose campaign was killed: process, mounts, files."""
    if not home.exists():
        return
    end_orphan(home)
    for line in reversed(Path("/proc/mounts").read_text(encoding="utf-8").splitlines()):
        place = Path(line.split()[1])
        if home in place.parents:
            subprocess.run(["umount", "-l", str(place)], check=True)
    shutil.rmtree(home)
