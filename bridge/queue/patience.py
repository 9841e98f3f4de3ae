"""How long a process goes on with a receiver that does not answer it, before it lets another process try.

No clock in here: the moment arrives as an argument.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.lifecycle.answers import Silence
from bridge.lifecycle.circuit import Circuit
from bridge.model import Acknowledgement, Answer
from bridge.queue.door import Door

# ours: a receiver that was restarted is mostly back within it, and a STAT result that another process can send waits no longer
FIRST_S = 15.0
LONGEST_S = (
    1800.0  # ours: where no process gets through, the destination changes hands once an hour in the end, which costs nothing
)
_SILENCES = frozenset(silence.value for silence in Silence)
DOUBLINGS = 7  # 15 s times 2 to the 7th is beyond the longest; keeps the product small


def is_silence(acknowledgement: Acknowledgement) -> bool:
    """Say whether a try ended without a word of the receiver; what shuts the destination from our side is as good as one."""
    return acknowledgement.answer is not Answer.CLOSED and acknowledgement.code in _SILENCES


@dataclass(kw_only=True, slots=True)
class Patience:
    """Counts the steps by which a process stands back from one receiver; each asks for twice the time of the one before.

    A receiver that says itself that it is closed has answered, and would say so to anybody. ``since_s`` is when this step's time
    began, None while messages flow or another process has the destination.
    """

    steps: int = 0
    since_s: float | None = None

    def begin(self) -> None:
        """Begin to work on the receiver: time in which another process did is not ours, but what we met before is remembered."""
        self.since_s = None

    def note(self, door: Door, acknowledgement: Acknowledgement, steady_s: float) -> int:
        """Give the steps to stand back behind a try that came to this and left ``door`` so; ``steady_s`` are seconds that never jump.

        A door that was said to be closed and is out of reach since counts as out of reach.
        """
        if door.circuit is Circuit.FLOWS:
            self.steps = 0
        if door.circuit is Circuit.FLOWS or (door.is_closed and not is_silence(acknowledgement)):
            self.since_s = None
        elif self.since_s is None:
            self.since_s = steady_s
        elif steady_s - self.since_s >= min(FIRST_S * (1 << min(self.steps, DOUBLINGS)), LONGEST_S):
            self.steps, self.since_s = self.steps + 1, steady_s
        return self.steps
