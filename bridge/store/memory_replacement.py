"""Replaced results on the in-memory twin: what waits for a withdrawal, and what is asked."""

from __future__ import annotations

from dataclasses import replace

from bridge.bench.gate import Seat
from bridge.model import Purpose
from bridge.store.commands import NewDelivery
from bridge.store.memory_rows import State
from bridge.store.rows import StripRow


def behind_withdrawal(state: State, seat: Seat, new: NewDelivery) -> NewDelivery:
    """Give a delivery of a strip behind the withdrawal that it waits for, if there is one."""
    correction_id = state.replacements.get(seat)
    if correction_id is None:
        return new
    kept = state.corrections[correction_id]
    of = (kept.correction.result_id, kept.withdrawn_version, new.destination)
    rows = (sent.row for sent in state.sent.values())
    found = next((row for row in rows if (row.result_id, row.version, row.destination) == of), None)
    if found is None:
        return new
    waits_elsewhere = found.lane != new.lane and not state.is_over(found.delivery_id)
    return replace(new, after=found.delivery_id, lane=f"after:{found.delivery_id}:{new.lane}" if waits_elsewhere else new.lane)


class ReplacementsInMemory:
    """The reads of strips of one specimen; mixed into the twin."""

    _state: State

    def specimen_strips(self, strip_id: int, *, limit: int = 50) -> tuple[StripRow, ...]:
        """Give the other patients' strips with the printed patient ID and the specimen number of a strip, newest first."""
        of = self._state.strips[strip_id]
        found = [
            strip.row
            for strip in reversed(self._state.strips.values())
            if strip.is_newest
            and strip.row.specimen_id == of.row.specimen_id != ""
            and (strip.patient_printed, strip.row.purpose) == (of.patient_printed, Purpose.PATIENT)
            and (strip.row.capture_id, strip.row.index) != (of.row.capture_id, of.row.index)
        ]
        return tuple(found[:limit])

    def replacing(self, result_id: str) -> StripRow | None:
        """Give the strip whose result takes the place of one that was withdrawn for it; None where it was not."""
        numbers = [number for number, each in self._state.corrections.items() if each.correction.result_id == result_id]
        seat = next((seat for seat, number in self._state.replacements.items() if number in numbers), None)
        newest = (strip.row for strip in self._state.strips.values() if strip.is_newest)
        return next((row for row in newest if (row.capture_id, row.index) == seat), None)
