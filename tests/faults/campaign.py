"""The fault campaign: the real service, round after round, each with a fault that the seed chooses; then the history is judged.

Each round starts ``padpost serve``, loads it from a real pty (LIS01) and a folder, with an HL7 receiver and a FHIR server that
outlive it, and lets something go wrong. Most rounds go on with the store that the rounds before left; some are played on a
disk or a clock of their own. At the end the service may drain; then the history is judged. The seed chooses strips,
faults and moments; the machine's own timing is not the seed's.
"""

from __future__ import annotations

import argparse
import json
import logging
import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from bridge.store.sqlite import FILE
from tests.faults.asides import Aside
from tests.faults.mainline import DRAIN_S, MainLine
from tests.faults.menu import ASIDE, PAIRS, Fault, chosen, not_here
from tests.faults.pairs import Pairs
from tests.faults.records import RECEIVERS
from tests.faults.report import campaign_table, commit, put, run_words, together
from tests.faults.scene import delivered, stopped
from tests.faults.state import State, tally

FIGURES = "figures.json"
KEPT = "0 lost, 0 under a second identity, 0 out of order within a patient, 0 marked as delivered and not there, 0 stopped without cause"


class Campaign:
    """A campaign below ``home``, or the rest of it. Use ``rounds`` and then ``drain``; ``close`` leaves nothing running."""

    def __init__(self, home: Path, seed: int, only: tuple[Fault, ...]) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self._home = home
        self._only = only
        self.state = State.read(home / "state.json", seed)
        self.line = MainLine(home, self.state, self._save)
        self._template = home / "template.sqlite"
        self._pairs = Pairs(home / "pair", self._template)
        self._commit = commit()

    def _save(self) -> None:
        self.state.write(self._home / "state.json")

    def close(self) -> None:
        """End the service, the receivers and the database server."""
        self.line.close()
        self._pairs.close()

    def rounds(self, last: int, tell: Callable[[str], None]) -> None:
        """Play the rounds up to ``last`` that are not played yet. The state is written after each."""
        if not self._template.exists():
            self.line.begin()
            _copy(self.line.store / FILE, self._template)
        while self.state.rounds < last:
            began = time.monotonic()
            said = self._round(self.state.rounds + 1)
            self.state.rounds += 1
            self.state.seconds += time.monotonic() - began
            self.state.count(self.state.commits, self._commit)
            self._save()
            sums = tally(self.line.journal.history)
            for what, number in self.state.aside.items():
                sums[what] += number
            tell(f"round {self.state.rounds}: {said}; {sums['strips brought']} strips, {sums['messages received']} messages")

    def _round(self, number: int) -> str:
        """Play one round; say what went wrong in it."""
        this = chosen(self.state.seed, number, only=self._only)
        reason = not_here(this.fault)
        if reason:
            self.state.not_run[this.fault] = reason
            return f"not run: {this.fault}, because {reason}"
        if this.fault in ASIDE:
            history, breaches = Aside(self._home / "aside", self._template).play(this)
            self.state.breaches += breaches
            self.state.add_aside(history)
            came = True
        elif this.fault in PAIRS:
            history, breaches, measured = self._pairs.play(this)
            self.state.breaches += breaches
            self.state.add_aside(history)
            for what, number_ in measured.items():
                self.state.measured.setdefault(what, []).append(round(number_, 2))
            came = True
        else:
            came = self.line.play(this)
            self.state.count(self.state.last_words, self.line.served.last_word or "nothing yet")
        self.state.count(self.state.played if came else self.state.missed, this.fault)
        return this.fault if came else f"{this.fault}: this did not come"


def _copy(store: Path, target: Path) -> None:
    """Copy a store that nobody has open, whole."""
    part = target.with_suffix(".part")
    with closing(sqlite3.connect(store)) as old, closing(sqlite3.connect(part)) as new:
        old.backup(new)
    part.rename(target)


def figures(campaign: Campaign) -> dict[str, Any]:
    """Give what a campaign comes to. The store is asked last, and only for what the service made of the strips sent again."""
    state, history = campaign.state, campaign.line.journal.history
    with closing(sqlite3.connect(campaign.line.store / FILE)) as db:
        outcomes = dict(db.execute("SELECT outcome, count(*) FROM strips GROUP BY outcome").fetchall())
        (integrity,) = db.execute("PRAGMA integrity_check").fetchone()
    sums = tally(history)
    return {
        "seed": state.seed,
        "rounds": state.rounds,
        "minutes": round(state.seconds / 60, 1),
        "faults": dict(sorted(state.played.items())),
        "faults that did not come": state.missed,
        "not run": state.not_run,
        "last words before the end of a round": state.last_words,
        **{what: number + state.aside.get(what, 0) for what, number in sums.items()},
        "of the strips on a store of their own": state.aside.get("strips brought", 0),
        "STAT beside other patients' routine": {name: vars(history.urgency(name)) for name in RECEIVERS},
        "strips in the long-lived store": outcomes,
        "integrity of the store": integrity,
        "commits": state.commits,
        "measured": {what: sorted(each) for what, each in state.measured.items()},
        "slowest start until ready, s": state.slowest_ready_s,
    }


def run(
    home: Path, *, seed: int, rounds: int, tell: Callable[[str], None], only: tuple[Fault, ...] = ()
) -> tuple[dict[str, Any], list[str]]:
    """Play a campaign, or the rest of it; give its figures and every breach of the promises."""
    campaign = Campaign(home, seed, only)
    try:
        campaign.rounds(rounds, tell)
        is_through = campaign.line.drain()
    finally:
        campaign.close()
    history = campaign.line.journal.history
    file = campaign.line.store / FILE
    faults = campaign.state.breaches + history.faults(RECEIVERS, marked=delivered(file)) + stopped(file)
    if not is_through:
        unanswered = sorted(history.submitted.keys() - history.acknowledged)
        faults.append(f"nothing moved for {DRAIN_S:.0f} s, and not all was through; without an answer: {unanswered}")
    return figures(campaign), faults


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 if the promises were kept, 1 if not."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults.campaign",
        description=__doc__,
        epilog="Run it from the checkout. Everything stays on loopback. About 4 s a round. Exit status: 0 all promises kept, 1 not.",
    )
    parser.add_argument("--seed", type=int, required=True, help="chooses the strips, the faults and their moments")
    parser.add_argument("--rounds", type=int, default=500, help="how many rounds in all, those of an earlier run included (500)")
    parser.add_argument("--only", nargs="+", default=(), metavar="FAULT", choices=[fault.name for fault in Fault],
        help="play these faults in turn, and no others; names as in tests/faults/menu.py")  # fmt: skip
    parser.add_argument(
        "--state",
        type=Path,
        required=True,
        metavar="DIR",
        help="where the campaign keeps store, files, history.jsonl and state.json; if it holds an unfinished campaign of this seed, that goes on",
    )
    parser.add_argument(
        "--page", type=Path, metavar="FILE", help="put the figures into this page, between its markers `campaign`"
    )
    parser.add_argument("--beside", type=Path, nargs="+", default=(), metavar="DIR",
        help="where campaigns of other seeds that ran at the same time have ended: the page adds their figures")  # fmt: skip
    given = parser.parse_args(arguments)
    logging.getLogger("asyncio").setLevel(logging.ERROR)  # the receivers' loops warn of every wire that is cut here
    found, faults = run(
        given.state.resolve(),
        seed=given.seed,
        rounds=given.rounds,
        tell=lambda line: print(line, flush=True),
        only=tuple(Fault[name] for name in given.only),
    )
    (given.state / FIGURES).write_text(json.dumps([found, faults]), encoding="utf-8")
    if given.page:
        ended = [json.loads((home / FIGURES).read_text(encoding="utf-8")) for home in (given.state, *given.beside)]
        whole = together([each for each, _ in ended])
        breaches = [breach for _, each in ended for breach in each]
        put(given.page, "campaign", run_words(whole["minutes"], whole["commits"]) + campaign_table(whole, breaches))
    print(json.dumps(found, indent=1))
    print("\n".join(faults) or KEPT)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
