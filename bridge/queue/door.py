"""A receiver's door: what an answer says of every message to it at once, and when to knock again.

No clock and no chance in here: the moment and the jitter arrive as arguments. What follows what is the table of
``lifecycle.circuit``; this adds how often, how long, and why.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.lifecycle.answers import door_words
from bridge.lifecycle.backoff import next_attempt
from bridge.lifecycle.circuit import Circuit, Sign, circuit_step, sign_of
from bridge.lifecycle.states import DestinationState
from bridge.model import Acknowledgement, Answer

MISSES = 5  # ours: in a row over all lanes; one message that its receiver cannot digest is among answers to others, and never makes as many
LONGEST_KNOCK = timedelta(seconds=30)  # ours: a receiver that is back is found within this; one knock costs it nothing
# ours: a receiver that goes and comes is asked less and less, and a STAT result still waits two minutes at most for its next chance
LONGEST_FLAP = timedelta(minutes=2)
FLAPPING = timedelta(minutes=10)  # ours: a receiver that rests again within this after it was let in goes and comes
MOST_PROOFS = 5  # ours: answers in a row that a flapping receiver owes before all lanes go again


@dataclass(kw_only=True, slots=True)
class Door:
    """Whether messages may go to one receiver just now. It stands open at first.

    ``first`` and ``longest`` are the destination's waits between tries. ``reason`` says in our words why nobody, or one message at
    a time, is let in; "" while messages flow. ``is_closed`` that the receiver itself said so, and was not merely without an answer.
    ``knocks`` counts rests in a row, ``misses`` tries in a row without an answer, ``proofs`` answers since the last rest, ``flaps``
    rests that came soon after a return. ``rest_until``, ``let_in_at`` and ``opened_at`` are aware, UTC; ``opened_at`` is the end of
    the last time it was closed, or the moment at which the clock was set: time before it is no message's own.
    """

    first: timedelta
    longest: timedelta
    circuit: Circuit = Circuit.FLOWS
    reason: str = ""
    is_closed: bool = False
    misses: int = 0
    knocks: int = 0
    proofs: int = 0
    flaps: int = 0
    rest_until: datetime | None = None
    let_in_at: datetime | None = None
    opened_at: datetime | None = None

    @property
    def needed(self) -> int:
        """Give how many answers in a row it takes until all lanes go again: one, more for a receiver that goes and comes."""
        return min(1 + self.flaps, MOST_PROOFS)

    @property
    def state(self) -> DestinationState:
        """Give what the receiver's door is for the destination's row."""
        if self.is_closed:
            return DestinationState.CLOSED
        return DestinationState.OPEN if self.circuit is Circuit.FLOWS else DestinationState.RESTING

    def note(self, acknowledgement: Acknowledgement, *, now: datetime, jitter: float) -> None:
        """Take what came of one try: rest where it concerns the receiver and not that one message, flow again once it answers."""
        sign = sign_of(acknowledgement)
        if sign is Sign.ANSWERED and not (self.is_closed and acknowledgement.answer is Answer.TRY_AGAIN):
            self._answered(now)
            if acknowledgement.retry_after_s is not None:
                self.rest_until = now + timedelta(seconds=acknowledgement.retry_after_s)
        elif sign is not None:  # while it is closed, "later" is no better than that
            self._failed(Sign.UNREACHED if sign is Sign.UNREACHED else Sign.FAILED, acknowledgement, now, jitter)

    def resting(self, now: datetime) -> datetime | None:
        """Give the moment until which nothing is sent, None where that is past or was never set."""
        if self.rest_until and self.rest_until > now:
            return self.rest_until
        if self.circuit is Circuit.RESTS:
            self.circuit = circuit_step(self.circuit, Sign.RESTED)
        return None

    def clock_was_set(self, now: datetime) -> None:
        """Forget how long it rests, which was reckoned by another clock: the next knock comes at once."""
        self.rest_until, self.opened_at = None, now

    def was_paused(self, now: datetime) -> None:
        """Count no time before now as any message's own: a person had it wait."""
        self.opened_at = now

    def _answered(self, now: datetime) -> None:
        self.misses, self.proofs = 0, self.proofs + 1
        flowed = self.circuit is Circuit.FLOWS
        self.circuit = circuit_step(self.circuit, Sign.PROVED if self.proofs >= self.needed else Sign.ANSWERED)
        if flowed:
            return
        self.rest_until = None
        if self.circuit is Circuit.FLOWS:
            self._let_in(now)

    def _failed(self, sign: Sign, acknowledgement: Acknowledgement, now: datetime, jitter: float) -> None:
        self.misses, self.proofs = self.misses + 1, 0
        before = self.circuit
        if sign is Sign.FAILED and self.misses >= MISSES:
            sign = Sign.WORN
        if before is Circuit.RESTS and self.resting(now) is None:
            before = self.circuit  # the rest was over, and nobody had asked
        self.circuit = circuit_step(before, sign)
        if self.circuit is Circuit.FLOWS:
            return
        says_closed = acknowledgement.answer is Answer.CLOSED
        if says_closed or not self.is_closed:  # a closed door that now is out of reach as well keeps its own reason
            self.reason = door_words(acknowledgement)
        self.is_closed = self.is_closed or says_closed
        if before is not Circuit.RESTS:  # lanes that met the same silence together count as one knock
            self._rest(now, jitter, is_new=before is Circuit.FLOWS)

    def _rest(self, now: datetime, jitter: float, *, is_new: bool) -> None:
        if is_new:
            came_back = self.let_in_at is not None and now - self.let_in_at <= FLAPPING
            self.flaps = self.flaps + 1 if came_back else 0
            self.knocks = self.flaps  # the waits go on growing where the last time left off
        self.knocks += 1
        longest = min(self.longest, LONGEST_FLAP if self.flaps else LONGEST_KNOCK)
        self.rest_until = next_attempt(self.knocks, now=now, jitter=jitter, first=self.first, longest=longest)

    def _let_in(self, now: datetime) -> None:
        if self.is_closed:
            self.opened_at = now
        self.reason, self.is_closed, self.knocks, self.let_in_at = "", False, 0, now
