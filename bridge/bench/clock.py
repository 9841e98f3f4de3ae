"""How far an analyzer's clock is off: arrival less printed time, of strips that were sent as they were read.

One strip proves nothing: it may have waited. What counts is the median of the last few, and only while most of them agree: strips that
are sent late, one by one, differ by as much as they waited, and a clock does not.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median_low

from bridge.model import ClockFacts

BURST = timedelta(
    seconds=4
)  # ours: no analyzer reads strips that fast; what follows so closely was stored (fastest known: 7 s, from memory)
STEADY = timedelta(minutes=2)  # ours: a time printed without seconds, and a line that was busy
FEWEST = 3  # ours: of two that differ nobody can say which is right


@dataclass(frozen=True, kw_only=True, slots=True)
class Heard:
    """A strip as far as it tells of its analyzer's clock. Times are aware; ``printed_at`` None where nothing (legible) was printed.

    ``is_live``: it came over a line. ``is_alone``: nothing else was in its capture. ``is_certain``: its local time was no doubtful one.
    """

    seat: tuple[int, int]
    arrived_at: datetime
    printed_at: datetime | None
    is_live: bool
    is_alone: bool = True
    is_certain: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Offset:
    """Arrival less printed time of one strip: positive where the clock is behind, or the strip waited."""

    at: datetime
    by: timedelta


class Clock:
    """What one analyzer's last strips say of its clock; ``strips`` is how many count. They are kept in the order of their captures."""

    def __init__(self, strips: int) -> None:
        self._last: deque[timedelta] = deque(maxlen=strips)
        self._seat = (0, 0)
        self._arrived_at: datetime | None = None

    def facts(self, heard: Heard | None = None) -> ClockFacts:
        """Give what is known of the clock, with what ``heard`` itself tells; it is not kept."""
        offset = None if heard is None else self._offset(heard)
        last = [*self._last] if offset is None else [*self._last, offset][-(self._last.maxlen or 1) :]
        return ClockFacts(offset=_steady(last), strips=len(last), is_fresh=offset is not None)

    def keep(self, heard: Heard) -> Offset | None:
        """Keep what a strip tells; give its offset, None where it tells nothing. One that was kept already changes nothing."""
        if heard.seat <= self._seat:
            return None
        offset = self._offset(heard)
        self._seat = heard.seat
        self._arrived_at = max(heard.arrived_at, self._arrived_at or heard.arrived_at)
        if offset is None:
            return None
        self._last.append(offset)
        return Offset(at=heard.arrived_at, by=offset)

    def _offset(self, heard: Heard) -> timedelta | None:
        if heard.printed_at is None or not (heard.is_live and heard.is_alone and heard.is_certain):
            return None
        if self._arrived_at is not None and heard.arrived_at - self._arrived_at < BURST:
            return None
        return heard.arrived_at - heard.printed_at


def _steady(last: list[timedelta]) -> timedelta | None:
    """Give the median; None where there are too few, or no more than half of them lie close to it."""
    if len(last) < FEWEST:
        return None
    middle = median_low(last)
    return middle if 2 * sum(abs(each - middle) <= STEADY for each in last) > len(last) else None


def offsets(heard: Iterable[Heard], clock: Clock) -> tuple[Offset, ...]:
    """Keep strips in the order of their captures; give the offset of each that tells one. No copies: a copy tells of its original's time."""
    ordered = sorted(heard, key=lambda each: each.seat)
    return tuple(offset for offset in map(clock.keep, ordered) if offset is not None)
