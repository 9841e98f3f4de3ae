"""Thousands of crashes a minute: plays simulated rounds (simulated.py) side by side, adds up what they come to, and tells it.

A seed gives the same round every time; a breach is told with its seed, and with how few of its faults it comes.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from tests.faults.report import commit, put, run_words, simulation_table
from tests.faults.simulated import Round, World, cut_down, quietly

PART = 100  # rounds that a process plays before it tells
KEPT = "0 lost, 0 under a second identity, 0 out of order within a patient, 0 marked as delivered and not there, 0 stuck"


@dataclass(kw_only=True)
class Sums:
    """What some rounds come to."""

    faults: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    breaches: list[str] = field(default_factory=list)

    def add(self, other: Sums) -> None:
        """Add what other rounds came to."""
        self.faults.update(other.faults)
        self.counts.update(other.counts)
        self.breaches += other.breaches


def played(seeds: Sequence[int]) -> Sums:
    """Play a round for each seed; a breach is told with its seed, and with how few of its faults it comes."""
    sums = Sums()
    with quietly():
        for seed in seeds:
            this = Round(seed)
            breaches = this.play()
            sums.faults.update(this.world.faults)
            sums.counts.update(_counts(this.world))
            if breaches:
                most = cut_down(seed, this.world.faults.total())
                sums.breaches += [f"seed {seed} (its first {most} faults suffice): {breach}" for breach in breaches]
    return sums


def simulate(
    seeds: Sequence[int], *, workers: int = 1, note: Callable[[Sums, int], None] = lambda _sums, _rounds: None
) -> dict[str, Any]:
    """Play a round for each seed, in so many processes; give the figures, and the breaches among them.

    ``note`` is told after each part what came of it, and of how many rounds: parts come in the order of the seeds.
    """
    sums, began = Sums(), time.monotonic()
    parts = [seeds[first : first + PART] for first in range(0, len(seeds), PART)]
    with ExitStack() as stack:
        came: Iterable[Sums] = map(played, parts)
        if workers > 1:
            came = stack.enter_context(ProcessPoolExecutor(workers, mp_context=get_context("spawn"))).map(played, parts)
        for part, some in zip(parts, came, strict=True):
            sums.add(some)
            note(some, len(part))
    return figures(sums, len(seeds), time.monotonic() - began)


def figures(sums: Sums, rounds: int, seconds: float) -> dict[str, Any]:
    """Give what some rounds come to as a page and a reader have it."""
    return {
        "rounds": rounds,
        **sums.counts,
        "faults": dict(sorted(sums.faults.items())),
        "rounds a second": round(rounds / seconds, 1),
        "breaches": sums.breaches,
    }


@dataclass(kw_only=True)
class Run:
    """A run that can be stopped and gone on with: what came of its first ``rounds`` seeds, on which commits, in how many seconds."""

    first: int
    rounds: int = 0
    seconds: float = 0.0
    commits: dict[str, int] = field(default_factory=dict)
    sums: Sums = field(default_factory=Sums)

    @classmethod
    def read(cls, path: Path, first: int) -> Run:
        """Give the run at ``path``, or a new one. Raises SystemExit if it began with another seed."""
        if not path.exists():
            return cls(first=first)
        kept = json.loads(path.read_text(encoding="utf-8"))
        sums = kept.pop("sums")
        run = cls(**kept, sums=Sums(faults=Counter(sums["faults"]), counts=Counter(sums["counts"]), breaches=sums["breaches"]))
        if run.first != first:
            raise SystemExit(f"{path} began with seed {run.first}; give that one, or another file")
        return run

    def add(self, some: Sums, rounds: int, on: str, seconds: float) -> None:
        """Add a part that was played on a commit."""
        self.sums.add(some)
        self.rounds += rounds
        self.commits[on] = self.commits.get(on, 0) + rounds
        self.seconds += seconds

    def write(self, path: Path) -> None:
        """Replace the file at ``path`` whole."""
        part = path.with_suffix(".part")
        part.write_text(json.dumps({**vars(self), "sums": vars(self.sums)}, indent=1), encoding="utf-8")
        part.rename(path)


def _counts(world: World) -> dict[str, int]:
    history = world.history
    sent = Counter((a.receiver, a.strip) for a in history.arrived)
    return {
        "strips": len(history.submitted),
        "messages received": len(history.arrived),
        "of them sent again": sum(sent.values()) - len(sent),
        "before a person": len(world.excused),
        "simulated hours": round(world.loop.time() / 3600),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 if the promises were kept, 1 if not."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.simulation", description=__doc__)
    parser.add_argument("--first", type=int, default=1, help="the first seed (1)")
    parser.add_argument("--rounds", type=int, default=20_000, help="how many seeds, those of an earlier run included (20,000)")
    parser.add_argument("--workers", type=int, default=2, help="how many processes share them (2)")
    parser.add_argument("--resume", type=Path, metavar="FILE", help="keep what came of it here; if it is there, go on with it")
    parser.add_argument(
        "--page", type=Path, metavar="FILE", help="put the figures into this page, between its markers `simulation`"
    )
    given = parser.parse_args(arguments)
    run = Run.read(given.resume, given.first) if given.resume else Run(first=given.first)
    on, last = commit(), time.monotonic()

    def note(some: Sums, rounds: int) -> None:
        nonlocal last
        seconds, last = time.monotonic() - last, time.monotonic()
        run.add(some, rounds, on, seconds)
        if given.resume:
            run.write(given.resume)
        print(f"{run.rounds} rounds, {run.sums.faults.total()} faults, {len(run.sums.breaches)} breaches", flush=True)

    simulate(range(given.first + run.rounds, given.first + given.rounds), workers=given.workers, note=note)
    found = figures(run.sums, run.rounds, run.seconds)
    breaches = found.pop("breaches")
    if given.page:
        words = run_words(run.seconds / 60, run.commits)
        put(given.page, "simulation", words + simulation_table(found, breaches))
    print(json.dumps(found, indent=1))
    print("\n".join(breaches) or KEPT)
    return 1 if breaches else 0


if __name__ == "__main__":
    sys.exit(main())
