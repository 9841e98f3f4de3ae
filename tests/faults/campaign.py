"""The crash campaign: kill -9 of the real service at random moments under load, round after round, then judge the history.

Each round starts ``padpost serve`` over the store of the round before, loads it from a real pty (LIS01) and a folder, with an HL7
receiver and a FHIR server that outlive it, and kills it. At the end it may drain; then the history is judged. The seed
chooses strips and moments; the machine's own timing is not the seed's.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from bridge import clock
from tests.faults.feeders import Dropper, Feeder, Line, Pty
from tests.faults.history import History
from tests.faults.journal import Journal
from tests.faults.records import RECEIVERS, Records
from tests.faults.served import Served
from tests.faults.strips import Batch, Inventor

KINDS = {"start": 2, "load": 5, "arrival": 2, "last frame": 2, "file": 1}  # how often each kind of moment is chosen
START_S = 1.5  # a kill at the start comes at most this long after the program was called
LOAD_S = 1.5  # a kill under load comes at most this long after it was ready
LATE_S = 0.05  # a kill at a last frame or a file comes at most this long after it: before, in or after the commit
TRAP_S = 15.0  # a moment that does not come within this is replaced by now
ON_LINE, IN_FILES = 10, 6  # most new batches a round
DRAIN_S = 120.0  # the end must come on; this long without any movement is a failure


@dataclass(frozen=True, kw_only=True)
class Moment:
    """When a round's kill comes. ``kind`` start or load: after ``seconds``. Else: that long after the ``count``-th such happening."""

    kind: str
    seconds: float
    count: int
    on_line: int
    in_files: int
    is_chart_away: bool


def moment(seed: int, number: int) -> Moment:
    """Give the moment of round ``number``; the same for the same seed, whatever was resumed."""
    chance = random.Random(f"{seed}:round:{number}")
    count, on_line, in_files = chance.randint(1, 4), chance.randint(1, ON_LINE), chance.randint(1, IN_FILES)
    kind = chance.choices(list(KINDS), weights=list(KINDS.values()))[0]
    longest = {"start": START_S, "load": LOAD_S, "arrival": 0.0}.get(kind, LATE_S)
    return Moment(
        kind=kind,
        seconds=chance.uniform(0, longest),
        count=min(count, {"last frame": on_line, "file": in_files}.get(kind, count)),  # no more than will come
        on_line=on_line,
        in_files=in_files,
        is_chart_away=chance.random() < 0.3,
    )


class Trap:
    """Strikes at the n-th happening of one kind, or some time after it, while whoever reports it waits. Safe from any thread."""

    def __init__(self) -> None:
        self.strike: Callable[[], None] = lambda: None
        self.sprung = threading.Event()
        self._lock = threading.Lock()
        self._kind = ""
        self._left = 0
        self._after_s = 0.0

    def set(self, kind: str, count: int, after_s: float) -> None:
        """Strike ``after_s`` after the ``count``-th ``kind`` from now."""
        with self._lock:
            self.sprung.clear()
            self._kind, self._left, self._after_s = kind, count, after_s

    def put_away(self) -> None:
        """Strike at nothing."""
        self.set("", 0, 0.0)

    def happened(self, kind: str) -> bool:
        """Take a report; say whether the service was struck at it."""
        with self._lock:
            if kind != self._kind:
                return False
            self._left -= 1
            if self._left != 0:
                return False
        time.sleep(self._after_s)
        self.strike()
        self.sprung.set()
        return True


@dataclass
class State:
    """What a campaign needs to go on, besides its journal: written after each round. ``began`` dates the first strip."""

    seed: int
    began: str
    rounds: int = 0
    on_line: int = 0
    in_files: int = 0
    kills: dict[str, int] = field(default_factory=dict)
    last_words: dict[str, int] = field(default_factory=dict)
    slowest_ready_s: float = 0.0

    @classmethod
    def read(cls, path: Path, seed: int) -> State:
        """Give the state at ``path``, or a new one. Raises SystemExit if it is another seed's."""
        if not path.exists():
            return cls(seed=seed, began=(clock.now() - timedelta(days=28)).isoformat())
        state = cls(**json.loads(path.read_text(encoding="utf-8")))
        if state.seed != seed:
            raise SystemExit(f"{path} is of seed {state.seed}; give that seed, or another folder")
        return state

    def write(self, path: Path) -> None:
        """Replace the file at ``path`` whole."""
        part = path.with_suffix(".part")
        part.write_text(json.dumps(vars(self), indent=1), encoding="utf-8")
        part.rename(path)

    def count(self, counter: dict[str, int], what: str) -> None:
        """Add one."""
        counter[what] = counter.get(what, 0) + 1


class Campaign:
    """The parts that outlive every kill. Use ``rounds`` and then ``drain``; ``close`` leaves nothing running."""

    def __init__(self, home: Path, seed: int) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self._state_file = home / "state.json"
        self.state = State.read(self._state_file, seed)
        self._stack = ExitStack()
        self.journal = Journal(home / "history.jsonl")
        self._stack.callback(self.journal.close)
        self._trap = Trap()
        self._records = self._stack.enter_context(Records(self.journal, self._trap.happened))
        self._pty = Pty()
        self._stack.callback(self._pty.close)
        self._drops = home / "drops"
        self._drops.mkdir(exist_ok=True)
        self.store = home / "store"
        began = datetime.fromisoformat(self.state.began)
        self._on_line = Inventor(profile="brook", letter="L", seed=seed, began=began)
        self._in_files = Inventor(profile="brook-file", letter="F", seed=seed, began=began)
        line = f"kind: serial, link: lis01, port: {self._pty.port}, reopen_s: 0.1"
        folder = f'kind: folder, path: "{self._drops}", complete: rename, sweep_s: 0.1'
        self._served = Served(
            home,
            data=self.store,
            sources=f"  - {{name: line, analyzer: bench-a, profile: brook, {line}}}\n"
            f"  - {{name: drops, analyzer: bench-b, profile: brook-file, {folder}}}\n",
            destinations=self._records.destinations,
        )
        self._stack.callback(self._served.end)
        self._trap.strike = self._served.strike

    def close(self) -> None:
        """End the service and the receivers."""
        self._stack.close()

    def rounds(self, last: int, tell: Callable[[str], None]) -> None:
        """Play the rounds up to ``last`` that are not played yet. The state is written after each."""
        if self.state.rounds == 0 and not self.journal.history.arrived:
            self._first_start()
        while self.state.rounds < last:
            number = self.state.rounds + 1
            chosen = moment(self.state.seed, number)
            kind = self._round(chosen)
            self.state.rounds = number
            self.state.count(self.state.kills, kind)
            self.state.count(self.state.last_words, self._served.last_word or "nothing yet")
            self.state.write(self._state_file)
            history = self.journal.history
            tell(
                f"round {number}: killed at {kind}; {len(history.submitted)} strips brought,"
                f" {len(history.acknowledged)} acknowledged, {len(history.arrived)} messages received"
            )

    def drain(self) -> bool:
        """Serve until every strip is acknowledged and with each receiver; False if that stops coming on. Then stop cleanly."""
        self._start(away=False)
        self._wait_ready()
        cut = threading.Event()
        feeders = self._feed(cut)
        is_through = self.journal.wait_for_all(RECEIVERS, bound_s=DRAIN_S)
        self._end_feeding(cut, feeders)
        self._served.stop()
        return is_through

    def _first_start(self) -> None:
        """Let the message plans be checked once: a service that is never up for that long would send nothing in any round."""
        self.state.on_line = self.state.in_files = 1
        self.state.write(self._state_file)
        if not self.drain():
            raise AssertionError("the first strips did not go through")

    def _start(self, *, away: bool) -> None:
        (self._records.away.set if away else self._records.away.clear)()
        self._served.start()

    def _wait_ready(self) -> None:
        began = time.monotonic()
        self._served.wait_ready()
        self.state.slowest_ready_s = max(self.state.slowest_ready_s, round(time.monotonic() - began, 2))

    def _round(self, chosen: Moment) -> str:
        """Start, load, kill; give the kind of moment that the kill came at."""
        self.state.on_line += chosen.on_line
        self.state.in_files += chosen.in_files
        self.state.write(self._state_file)  # what may have left is known before it leaves
        cut = threading.Event()
        self._start(away=chosen.is_chart_away)
        if chosen.kind != "start":
            self._wait_ready()
        is_timed = chosen.kind in {"start", "load"}
        if not is_timed:
            self._trap.set(chosen.kind, chosen.count, chosen.seconds)
        feeders = self._feed(cut)
        if is_timed:
            time.sleep(chosen.seconds)  # the moment of the kill is the seed's choice, not a wait for anything
        is_met = is_timed or self._trap.sprung.wait(TRAP_S)
        self._trap.put_away()
        self._served.kill()
        self._end_feeding(cut, feeders)
        return chosen.kind if is_met else f"no {chosen.kind} came"

    def _feed(self, cut: threading.Event) -> list[Feeder]:
        on_line = self._left(self._on_line, self.state.on_line)
        in_files = self._left(self._in_files, self.state.in_files)
        feeders: list[Feeder] = [
            Line(self._pty.open, on_line, self.journal, cut, self._trap.happened),
            Dropper(self._drops, in_files, self.journal, cut, self._trap.happened),
        ]
        for feeder in feeders:
            feeder.start()
        return feeders

    def _left(self, inventor: Inventor, count: int) -> Sequence[Batch]:
        """Give the batches that are not acknowledged yet, in their order. What is all acknowledged lies before them."""
        batches = map(inventor.batch, range(count))
        return [batch for batch in batches if not all(map(self.journal.is_acknowledged, batch.strips))]

    @staticmethod
    def _end_feeding(cut: threading.Event, feeders: Sequence[Feeder]) -> None:
        cut.set()
        for feeder in feeders:
            feeder.join()
            if isinstance(feeder, Dropper):
                feeder.look()


def figures(state: State, history: History, store: Path) -> dict[str, Any]:
    """Give what a campaign comes to. The store is asked last, and only for what the service made of the strips sent again."""
    sent = Counter((a.receiver, a.strip) for a in history.arrived)
    with closing(sqlite3.connect(store / "padpost.sqlite")) as db:
        outcomes = dict(db.execute("SELECT outcome, count(*) FROM strips GROUP BY outcome").fetchall())
        (integrity,) = db.execute("PRAGMA integrity_check").fetchone()
    return {
        "seed": state.seed,
        "rounds": state.rounds,
        "kills": state.kills,
        "last words before the kill": state.last_words,
        "strips brought": len(history.submitted),
        "strips acknowledged": len(history.acknowledged),
        "messages received": len(history.arrived),
        "of them sent again": sum(sent.values()) - len(sent),
        "strips in the store": outcomes,
        "integrity of the store": integrity,
        "slowest start until ready, s": state.slowest_ready_s,
    }


def run(home: Path, *, seed: int, rounds: int, tell: Callable[[str], None]) -> tuple[dict[str, Any], list[str]]:
    """Play a campaign, or the rest of it; give its figures and every breach of the promises."""
    campaign = Campaign(home, seed)
    try:
        campaign.rounds(rounds, tell)
        is_through = campaign.drain()
    finally:
        campaign.close()
    history = campaign.journal.history
    faults = history.faults(RECEIVERS)
    if not is_through:
        unanswered = sorted(history.submitted.keys() - history.acknowledged)
        faults.append(f"nothing moved for {DRAIN_S:.0f} s, and not all was through; without an answer: {unanswered}")
    return figures(campaign.state, history, campaign.store), faults


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 if the promises were kept, 1 if not."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults.campaign",
        description=__doc__,
        epilog="Run it from the checkout. Everything stays on loopback. About 4 s a round. Exit status: 0 all promises kept, 1 not.",
    )
    parser.add_argument("--seed", type=int, required=True, help="chooses the strips and the moments of the kills")
    parser.add_argument("--rounds", type=int, default=200, help="how many kills in all, those of an earlier run included (200)")
    parser.add_argument(
        "--state",
        type=Path,
        required=True,
        metavar="DIR",
        help="where the campaign keeps store, files, history.jsonl and state.json; if it holds an unfinished campaign of this seed, that goes on",
    )
    chosen = parser.parse_args(arguments)
    found, faults = run(chosen.state.resolve(), seed=chosen.seed, rounds=chosen.rounds, tell=lambda line: print(line, flush=True))
    print(json.dumps(found, indent=1))
    print("\n".join(faults) or "0 lost, 0 under a second identity, order kept within each patient")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
