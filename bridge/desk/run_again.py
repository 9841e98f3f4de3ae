"""A specimen that was run twice: a person keeps the first result, or replaces it by the second. Both strips stay, and are never averaged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from bridge.check.copies import RUN_AGAIN
from bridge.desk.actions import Desk
from bridge.desk.corrections import CorrectionDesk, Who
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import SpecimenNext, StopEnd, StopState
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import CloseStop, RecordedCorrection
from bridge.store.rows import StopRow, StripRow

# What is asked of the pair of strips: with the first result withdrawn none of them is asked any more
OF_THE_PAIR = frozenset({RUN_AGAIN, "copy.possible", "patient.same_again"})
_STANDS_NO_MORE = "The first result does not stand any more. Read this strip again with the current profile: it goes then."


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """A held strip, and the one of the same specimen whose result is reported; ``first`` None: none is any more. ``version`` is its result's."""

    stop: StopRow
    second: StripRow
    first: StripRow | None
    version: int

    @property
    def others(self) -> tuple[str, ...]:
        """Give the rules besides that stop the held strip."""
        return tuple(rule for rule in self.stop.rules if rule not in OF_THE_PAIR)


class RunAgainDesk:
    """The actions on specimens that were run again. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, stops: Desk, corrections: CorrectionDesk, now: Callable[[], datetime]) -> None:
        self._store = store
        self._stops = stops
        self.corrections = corrections
        self._now = now

    def pair(self, stop_id: int) -> Pair | None:
        """Give the two strips that a stop is about; None where it is no specimen that was run again."""
        stop = self._store.stop(stop_id)
        if stop is None or stop.strip_id is None or RUN_AGAIN not in stop.rules:
            return None
        second = self._store.strip(stop.strip_id)
        if second is None:
            return None
        reported = [
            strip
            for strip in self._store.specimen_strips(second.strip_id)
            if strip.outcome in {"coded", "waiting"} and strip.strip_type == second.strip_type
        ]
        first = min(reported, key=lambda strip: (_apart(strip, second), strip.strip_id), default=None)
        kept = self._store.result(first.result_id) if first and first.result_id else None
        return Pair(stop=stop, second=second, first=first, version=kept.version if kept else 0)

    def is_known(self, stop_id: int) -> bool:
        """Say whether there is such a row, for whatever reason."""
        return self._store.stop(stop_id) is not None

    def keep_first(self, stop_id: int, *, reason: str, actor: Actor) -> None:
        """Leave the first result as it is; the second strip is kept and goes nowhere."""
        if self._open(stop_id).first is None:
            raise RefusedAction(_STANDS_NO_MORE)
        self._stops.discard(stop_id, reason=reason, actor=actor, specimen=SpecimenNext.NONE)

    def replace_first(self, stop_id: int, version: int, *, who: Who) -> RecordedCorrection:
        """Withdraw the first result wherever it was sent; the second strip goes once that is acknowledged. ``version`` is what the person saw."""
        pair = self._open(stop_id)
        if pair.first is None:
            raise RefusedAction(_STANDS_NO_MORE)
        if pair.first.outcome == "waiting":
            raise RefusedAction(
                "The first strip waits for its controls still. Discard that one on Controls; then read this one again."
            )
        if pair.others:
            raise RefusedAction(
                "Something else stops this strip too, so it cannot take the place of the first result. Look at its row."
            )
        end = CloseStop(
            stop_id=stop_id, end=StopEnd.RELEASED, actor=who.actor, reason=who.reason.strip(), at=self._now(), second=who.second
        )
        return self.corrections.replace(pair.first.result_id, version, end=end, who=who)

    def _open(self, stop_id: int) -> Pair:
        pair = self.pair(stop_id)
        if pair is None:
            raise RefusedAction("There is no such row.")
        if pair.stop.state is not StopState.OPEN:
            raise Overtaken(f"{pair.stop.closed_by} has dealt with this already: {pair.stop.closed_how}.")
        return pair


def _apart(one: StripRow, other: StripRow) -> float:
    """Give how many seconds lie between two strips: by their printed times where both have one, else by their arrivals."""
    if one.analyzed_at is not None and other.analyzed_at is not None:
        return abs((one.analyzed_at - other.analyzed_at).total_seconds())
    return abs((one.arrived_at - other.arrived_at).total_seconds())
