"""Reports on the in-memory twin: each question by its plain definition, over every strip."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Set as AbstractSet
from datetime import datetime

from bridge.bench.stop_figures import Stopped
from bridge.bench.turnaround import Travelled, Went
from bridge.bench.workload import Handled
from bridge.lifecycle.states import StopGroup
from bridge.model import DeliveryState, Purpose
from bridge.store.memory_rows import Sent, State, Strip
from bridge.store.rows import StripRow

_OVER = frozenset({DeliveryState.ACCEPTED, DeliveryState.SUPERSEDED, DeliveryState.DISCARDED})


class ReportsInMemory:
    """The reads of reports; mixed into the twin, which has the state."""

    _state: State

    def travelled(self, *, since: datetime, until: datetime) -> tuple[Travelled, ...]:
        """Give the patients' strips that arrived then and whose result went on its way, in the order in which they were kept."""
        seats: dict[tuple[int, int], list[Strip]] = defaultdict(list)
        for strip in self._state.strips.values():
            if since <= strip.row.arrived_at < until and strip.row.result_id and strip.row.purpose is Purpose.PATIENT:
                seats[strip.row.capture_id, strip.row.index].append(strip)
        refused = {stop.delivery_id for stop in self._state.stops.values() if stop.group is StopGroup.REFUSED}
        found = ((strips, self._sent({strip.row.result_id for strip in strips})) for _, strips in sorted(seats.items()))
        return tuple(_travelled(strips, sent, refused) for strips, sent in found if sent)

    def _sent(self, results: set[str]) -> list[Sent]:
        withdrawals = {(each.correction.result_id, each.withdrawn_version) for each in self._state.corrections.values()}
        return [
            sent
            for sent in self._state.sent.values()
            if sent.row.result_id in results and (sent.row.result_id, sent.row.version) not in withdrawals
        ]

    def handled(self, *, since: datetime, until: datetime) -> tuple[Handled, ...]:
        """Give every strip that arrived then, as it was understood last, in the order in which they were kept."""
        seats: dict[tuple[int, int], list[StripRow]] = defaultdict(list)
        for strip in self._state.strips.values():
            if since <= strip.row.arrived_at < until:
                seats[strip.row.capture_id, strip.row.index].append(strip.row)
        last = [(rows, [row for row in rows if row.outcome != "superseded"]) for _, rows in sorted(seats.items())]
        return tuple(_handled(rows, standing[-1]) for rows, standing in last if standing)

    def stopped(self, *, since: datetime, until: datetime) -> tuple[Stopped, ...]:
        """Give the stops of strips that arrived then, and those of no strip that were opened then, as they stand now."""
        strips = self._state.strips
        return tuple(
            Stopped(str(row.group), row.rule, row.analyzer, row.opened_at, row.closed_at, row.closed_how, row.closed_by)
            for row in self._state.stops.values()
            if since <= (row.opened_at if row.strip_id is None else strips[row.strip_id].row.arrived_at) < until
        )

    def arrivals_behind(self, strip_id: int, *, limit: int) -> tuple[tuple[int, datetime], ...]:
        """Give the strips that were judged, judged again or corrected behind one, by id, each with when it arrived."""
        return tuple((each, strip.row.arrived_at) for each, strip in self._state.strips.items() if each > strip_id)[:limit]


def _handled(rows: list[StripRow], last: StripRow) -> Handled:
    rules = frozenset(rule for row in rows for rule, _, _ in row.findings)
    return Handled(
        last.analyzer, last.operator, last.purpose, last.outcome, last.analyzed_at or last.arrived_at, last.arrived_at, rules
    )


def _travelled(strips: list[Strip], sent: list[Sent], refused: AbstractSet[int | None]) -> Travelled:
    first, newest = strips[0].row, [strip.row.analyzed_at for strip in strips if strip.is_newest]
    places = sorted({each.row.destination for each in sent})
    return Travelled(
        first.analyzer,
        str(first.priority),
        newest[0] if newest else None,
        first.arrived_at,
        min(each.row.born_at for each in sent),
        tuple(_went(place, [each for each in sent if each.row.destination == place], refused) for place in places),
    )


def _went(place: str, sent: list[Sent], refused: AbstractSet[int | None]) -> Went:
    tried = [each.first_attempt_at for each in sent if each.first_attempt_at is not None]
    taken = [each.row.accepted_at for each in sent if each.row.accepted_at is not None]
    return Went(
        place,
        min(tried, default=None),
        min(taken, default=None),
        all(each.row.state in _OVER for each in sent),
        any(each.row.delivery_id in refused for each in sent),
    )
