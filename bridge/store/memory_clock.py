"""Clocks on the in-memory twin: what its strips tell of them."""

from __future__ import annotations

from bridge.bench.clock import Heard
from bridge.store.memory_rows import State, Strip
from bridge.store.reads_clock import UNCERTAIN


class ClocksInMemory:
    """The reads of clocks; mixed into the twin."""

    _state: State

    def heard_strips(self, analyzer: str, *, until: int | None = None, limit: int) -> tuple[Heard, ...]:
        """Give the newest strips of an analyzer, no copies, as far as they tell of its clock, up to a capture."""
        found = (
            strip
            for strip in reversed(self._state.strips.values())
            if strip.row.analyzer == analyzer
            and strip.is_newest
            and strip.row.outcome != "copy"
            and (until is None or strip.row.capture_id <= until)
        )
        return tuple(map(self._heard, found))[:limit]

    def _heard(self, strip: Strip) -> Heard:
        row = strip.row
        others = any((each.row.capture_id, each.row.index) == (row.capture_id, 1) for each in self._state.strips.values())
        return Heard(
            seat=(row.capture_id, row.index),
            arrived_at=row.arrived_at,
            printed_at=row.analyzed_at,
            is_live=self._state.captures[row.capture_id].capture.live,
            is_alone=row.index == 0 and not others,
            is_certain=not UNCERTAIN & {rule for rule, _, _ in row.findings},
        )
