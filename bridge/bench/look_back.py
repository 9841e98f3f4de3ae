"""Look-back: what was sent between the last set of controls that passed and one that failed, each with a person's decision.

42 CFR 493.1282(b)(2) asks to evaluate all patients' results since the last acceptable run.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import ControlRead, Happening, Seat


class Verdict(StrEnum):
    """What a person decides of a result that left before a control failed."""

    STANDS = "stands"
    CORRECTED = "to be corrected"
    WITHDRAWN = "to be withdrawn"


@dataclass(frozen=True, kw_only=True, slots=True)
class LookBack:
    """The strips of one gate that were read after ``since`` (None: from the beginning), when the control ``failed_by`` failed.

    What was read behind that control is among them: it may have failed only when it was read again, or its lot was signed.
    """

    since: Seat | None
    failed_by: Seat

    def takes_in(self, seat: Seat) -> bool:
        """Say whether a strip was read since."""
        return self.since is None or self.since < seat


def look_back_of(sets: Iterable[Seat], what: Happening) -> LookBack | None:
    """Give what must be looked at again when ``what`` happens; None unless a control failed. ``sets``: the strips that completed a set.

    The last set before the control counts: one that it completed itself, as it was read first, is none.
    """
    if not isinstance(what, ControlRead) or what.verdict is not RunVerdict.FAILED:
        return None
    return LookBack(since=max((seat for seat in sets if seat < what.seat), default=None), failed_by=what.seat)
