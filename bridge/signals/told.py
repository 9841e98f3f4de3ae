"""What goes out by a way, and which ways hear of what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from bridge.signals.hours import Hours
from bridge.signals.kinds import URGENT, Kind
from bridge.signals.machine import What

TEST = "test"
DIGEST = "digest"
# How a headline begins, by what is said
PREFIXES: Mapping[str, str] = {
    What.OPENED: "",
    What.NEWS: "More: ",
    What.REPEATED: "Still: ",
    What.ENDED: "Over: ",
    TEST: "Test: ",
    DIGEST: "Digest: ",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """One thing to say. No patient is in it.

    ``identity`` is the same at every try, and another's never: who gets it twice can tell. ``thread`` is the same for all that is said of one
    signal. ``what`` is a machine.What, TEST or DIGEST. ``at`` is aware, UTC.
    """

    identity: str
    thread: str
    what: str
    headline: str
    text: str
    at: datetime

    @property
    def subject(self) -> str:
        """Give the headline with how it begins."""
        return f"{PREFIXES[self.what]}{self.headline}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Audience:
    """Who hears by a way: of these kinds (none named: all), and not in its quiet hours unless it is urgent."""

    way: str
    kinds: frozenset[Kind] = frozenset()
    quiet: Hours | None = None

    def hears(self, kind: Kind) -> bool:
        """Say whether it is told of a kind."""
        return not self.kinds or kind in self.kinds

    def is_spared(self, kind: Kind) -> bool:
        """Say whether a kind waits for the end of its quiet hours."""
        return self.quiet is not None and kind not in URGENT
