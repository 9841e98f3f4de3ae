"""A receiver's door: what an answer says of every message to it at once, and when to knock again.

No clock and no chance in here: the moment and the jitter arrive as arguments.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.lifecycle.answers import Silence, door_words
from bridge.lifecycle.backoff import next_attempt
from bridge.model import Acknowledgement, Answer

LONGEST_KNOCK = timedelta(seconds=30)  # ours: a door that nobody opens is tried this often; a connection refused costs nothing


@dataclass(kw_only=True, slots=True)
class Door:
    """Whether messages may go to one receiver just now. It stands open at first.

    ``first`` and ``longest`` are the destination's waits between tries. ``reason`` says in our words why nobody is
    let in, "" while the door is open; ``is_closed`` that the receiver itself said so, and was not merely out of
    reach. ``rest_until`` and ``opened_at`` are aware, UTC; ``opened_at`` is the end of the last time it was closed, or the
    moment at which the clock was set: time before it is no message's own.
    """

    first: timedelta
    longest: timedelta
    reason: str = ""
    is_closed: bool = False
    knocks: int = 0
    rest_until: datetime | None = None
    opened_at: datetime | None = None

    def note(self, acknowledgement: Acknowledgement, *, now: datetime, jitter: float) -> None:
        """Rest where the answer concerns the door and not its one message; open on the first real answer."""
        if self._keeps_out(acknowledgement):
            self._stay_out(acknowledgement, now, jitter)
            return
        if self.reason:
            self._let_in(now)
        if acknowledgement.retry_after_s is not None:
            self.rest_until = now + timedelta(seconds=acknowledgement.retry_after_s)

    def resting(self, now: datetime) -> datetime | None:
        """Give the moment until which nothing is sent, None where that is past or was never set."""
        return self.rest_until if self.rest_until and self.rest_until > now else None

    def clock_was_set(self, now: datetime) -> None:
        """Forget how long it rests, which was reckoned by another clock: the next knock comes at once."""
        self.rest_until, self.opened_at = None, now

    def _keeps_out(self, acknowledgement: Acknowledgement) -> bool:
        """Say whether the answer is the door's: closed, nobody there, or no better than that while it is closed."""
        still_closed = self.is_closed and acknowledgement.answer is Answer.TRY_AGAIN
        return acknowledgement.answer is Answer.CLOSED or acknowledgement.code == Silence.NO_CONNECTION or still_closed

    def _stay_out(self, acknowledgement: Acknowledgement, now: datetime, jitter: float) -> None:
        says_closed = acknowledgement.answer is Answer.CLOSED
        if says_closed or not self.is_closed:  # a closed door that now is out of reach as well keeps its own reason
            self.reason = door_words(acknowledgement)
        self.is_closed = self.is_closed or says_closed
        if self.resting(now) is None:  # lanes that met the same door together count as one knock
            self.knocks += 1
            longest = min(self.longest, LONGEST_KNOCK)
            self.rest_until = next_attempt(self.knocks, now=now, jitter=jitter, first=self.first, longest=longest)

    def _let_in(self, now: datetime) -> None:
        if self.is_closed:
            self.opened_at = now
        self.reason, self.is_closed, self.knocks, self.rest_until = "", False, 0, None
