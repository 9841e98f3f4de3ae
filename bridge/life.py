"""What judging may know of an analyzer's life: small frozen facts, fetched by the service beside those of ``model``."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, kw_only=True, slots=True)
class DayLogFacts:
    """What the day log says of the day on which a strip was read, in the words of its lines.

    ``missing``: what was due and has no line. ``wrong``: what was not in order when the strip was read. ``room_c``: the last room
    temperature that was measured in the 24 hours before the strip, in degrees Celsius; None where none was.
    """

    missing: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    room_c: Decimal | None = None
