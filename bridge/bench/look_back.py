"""Look-back: what was sent between the last set of controls that passed and one that failed, each with a person's decision.

42 CFR 493.1282(b)(2) asks to evaluate all patients' results since the last acceptable run.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import ControlRead, Happening, Seat
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor


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


@dataclass(frozen=True, kw_only=True, slots=True)
class LookBackRow:
    """One result to look at again. Nobody has decided while ``verdict`` is None."""

    seat: Seat
    failed_by: Seat
    verdict: Verdict | None = None
    by: Actor | None = None
    at: datetime | None = None
    reason: str = ""

    @property
    def is_open(self) -> bool:
        """Say whether a person still has to decide."""
        return self.verdict is None


def look_back_of(sets: Iterable[Seat], what: Happening) -> LookBack | None:
    """Give what must be looked at again when ``what`` happens; None unless a control failed. ``sets``: the strips that completed a set.

    The last set before the control counts: one that it completed itself, as it was read first, is none.
    """
    if not isinstance(what, ControlRead) or what.verdict is not RunVerdict.FAILED:
        return None
    return LookBack(since=max((seat for seat in sets if seat < what.seat), default=None), failed_by=what.seat)


def rows_of(look_back: LookBack, sent: Iterable[Seat], known: frozenset[Seat] = frozenset()) -> tuple[LookBackRow, ...]:
    """Give a row for each strip of ``sent`` that the look-back takes in, oldest first; ``known`` are on the list of an earlier failure."""
    seats = sorted({seat for seat in sent if look_back.takes_in(seat)} - known)
    return tuple(LookBackRow(seat=seat, failed_by=look_back.failed_by) for seat in seats)


def decided(row: LookBackRow, verdict: Verdict, *, by: Actor, reason: str, at: datetime) -> LookBackRow:
    """Give the row with a person's decision.

    Raises Overtaken where somebody decided before, RefusedAction without a name or a reason.
    """
    if row.by is not None:
        raise Overtaken(f"{row.by.name} has decided about this result already.")
    if not by.name.strip() or not reason.strip():
        raise RefusedAction("Write who decides and why: an inspector will ask for both.")
    return replace(row, verdict=verdict, by=by, at=at, reason=reason.strip())
