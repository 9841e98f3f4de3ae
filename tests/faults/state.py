"""What a campaign needs to go on, besides its journal: written whole after each round."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from bridge import clock
from tests.faults.history import History


@dataclass
class State:
    """``began`` dates the first strip. ``played`` counts the rounds whose fault came, ``missed`` those in which it did not.

    ``not_run`` has the reason for each fault that this machine or build cannot play. ``aside`` adds up the rounds that were
    played on a store of their own. ``commits`` counts the rounds by the commit of Padpost that they ran on. ``measured`` has what was
    measured in them, seconds, by name.
    """

    seed: int
    began: str
    rounds: int = 0
    seconds: float = 0.0
    on_line: int = 0
    in_files: int = 0
    on_network: int = 0
    posted: int = 0
    played: dict[str, int] = field(default_factory=dict)
    missed: dict[str, int] = field(default_factory=dict)
    not_run: dict[str, str] = field(default_factory=dict)
    last_words: dict[str, int] = field(default_factory=dict)
    aside: dict[str, int] = field(default_factory=dict)
    breaches: list[str] = field(default_factory=list)
    slowest_ready_s: float = 0.0
    commits: dict[str, int] = field(default_factory=dict)
    measured: dict[str, list[float]] = field(default_factory=dict)

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

    def count(self, counter: dict[str, int], what: str, more: int = 1) -> None:
        """Add to a counter."""
        counter[what] = counter.get(what, 0) + more

    def add_aside(self, history: History) -> None:
        """Add a round's own history to the sums."""
        for what, number in tally(history).items():
            self.count(self.aside, what, number)


def tally(history: History) -> dict[str, int]:
    """Count what a history holds."""
    sent = Counter((a.receiver, a.strip) for a in history.arrived)
    return {
        "strips brought": len(history.submitted),
        "strips acknowledged": len(history.acknowledged),
        "messages received": len(history.arrived),
        "of them sent again": sum(sent.values()) - len(sent),
        "of them not kept by the receiver": sum(not a.held for a in history.arrived),
    }
