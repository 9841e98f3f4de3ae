"""The store's in-memory twin: the same commands and the reads of judging, queues and most pages, over dicts instead of a database.

It keeps nothing beyond its process, so no service runs on it. It is what simulations of many thousand crashes and the queue's
model tests run on, and a second, plainer statement of what each command does: the contract suite holds both to it. A crash is
a copy of what was committed (``committed``), opened anew.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import takewhile
from typing import Any

from bridge.errors import PadpostError, StoreFailed
from bridge.lifecycle.fairness import Waiting, choose
from bridge.lifecycle.states import StopState
from bridge.model import (
    Actor,
    CodedResult,
    Decisions,
    DeliveryState,
    Needs,
    Neighbour,
    PriorResult,
    Purpose,
    SeenStrip,
    SeenStrips,
    SeriesState,
    StripKey,
)
from bridge.store import rows
from bridge.store.commands import Command, HoldLeases
from bridge.store.memory_accounts import AccountsInMemory
from bridge.store.memory_additions import AdditionsInMemory, added_facts, is_awaited
from bridge.store.memory_apply import apply, recover
from bridge.store.memory_audit import AuditInMemory
from bridge.store.memory_clock import ClocksInMemory
from bridge.store.memory_correction import CorrectionsInMemory, as_sent
from bridge.store.memory_day_log import DayLogsInMemory
from bridge.store.memory_envelopes import EnvelopesInMemory
from bridge.store.memory_gate import GatesInMemory
from bridge.store.memory_life import LivesInMemory
from bridge.store.memory_look_back import LookBacksInMemory
from bridge.store.memory_lots import LotsInMemory
from bridge.store.memory_month import MonthsInMemory
from bridge.store.memory_numbers import NumbersInMemory
from bridge.store.memory_operators import OperatorsInMemory
from bridge.store.memory_quick import QuickInMemory
from bridge.store.memory_registered import RegisteredInMemory
from bridge.store.memory_replacement import ReplacementsInMemory
from bridge.store.memory_reports import ReportsInMemory
from bridge.store.memory_rows import Sent, State, Strip
from bridge.store.memory_shown import ShownInMemory
from bridge.store.memory_signals import SignalsInMemory
from bridge.store.memory_stops import StopsInMemory
from bridge.store.memory_telling import TellingsInMemory
from bridge.store.memory_today import TodayInMemory

NEAR_CAPTURES = 5_000  # as reads_work.py has it
SLACK = timedelta(days=1)  # as reads_work.py has it


class MemoryStore(
    ShownInMemory,
    StopsInMemory,
    GatesInMemory,
    LookBacksInMemory,
    ReplacementsInMemory,
    ClocksInMemory,
    LotsInMemory,
    NumbersInMemory,
    MonthsInMemory,
    OperatorsInMemory,
    DayLogsInMemory,
    LivesInMemory,
    RegisteredInMemory,
    ReportsInMemory,
    AccountsInMemory,
    QuickInMemory,
    AdditionsInMemory,
    EnvelopesInMemory,
    SignalsInMemory,
    TellingsInMemory,
    TodayInMemory,
    AuditInMemory,
    CorrectionsInMemory,
):
    """A store over ``committed``, or an empty one of ``epoch``. What the pages' sums and the purge ask it does not answer.

    ``is_shared``: several simulated processes work on it at the same time, and each recovers what it takes over; leases go by ``now``,
    the server's clock, as they do on PostgreSQL.
    """

    def __init__(
        self, committed: State | None = None, *, now: Callable[[], datetime], epoch: str = "MEMRY", is_shared: bool = False
    ) -> None:
        self._state = committed.copy() if committed is not None else State(epoch=epoch)
        self._turn = threading.Lock()
        self._closed = False
        self.fault = ""
        self.shortage = ""
        self.away = ""
        self.is_shared = is_shared
        self._now = now
        recover(self._state, now())

    @property
    def epoch(self) -> str:
        """Give the store's epoch."""
        return self._state.epoch

    @property
    def committed(self) -> State:
        """Give a copy of what was committed: what a crash at this moment leaves."""
        return self._state.copy()

    def submit(self, command: Command) -> Future[Any]:
        """Do ``command`` whole or not at all; the future has its result already."""
        future: Future[Any] = Future()
        with self._turn:
            if self._closed:
                future.set_exception(StoreFailed("The store is closed."))
                return future
            state = self._state.copy()
            if self.is_shared and isinstance(command, HoldLeases):
                command = replace(command, at=self._now())
            try:
                result = apply(state, command)
            except (PadpostError, ValueError, KeyError) as fault:  # told to the one who asked, and nothing changed
                future.set_exception(fault)
                return future
            self._state = state
        future.set_result(result)
        return future

    def listen(self, heard: Callable[[str], None]) -> None:
        """Tell nobody: who simulates several processes lets them hear of each other."""

    def close(self) -> None:
        """Take nothing more."""
        self._closed = True

    # --- judging

    def analyzers_with_work(self) -> tuple[str, ...]:
        """Give the analyzers that have readings to judge."""
        state = self._state
        return tuple(sorted({work.analyzer for number, work in state.intake.items() if number not in state.ended}))

    def next_intake(self, analyzer: str, *, after: int = 0) -> rows.IntakeRow | None:
        """Give the oldest piece of judging work of ``analyzer`` behind the piece ``after``."""
        state = self._state
        open_work = (work for number, work in state.intake.items() if number not in state.ended)
        waiting = [work for work in open_work if work.analyzer == analyzer and work.intake_id > after]
        found = next(iter(waiting), None)
        if found is None or not found.because or found.only_index is not None:
            return found
        decided = (work for work in waiting if work.capture_id == found.capture_id and work.only_index is not None)
        return next(decided, found)

    def intake_ahead(self, analyzer: str, *, after: int, limit: int) -> tuple[rows.IntakeRow, ...]:
        """Give the next piece of judging work, and what follows it as far as all are captures that are judged for the first time."""
        state = self._state
        open_work = (work for number, work in state.intake.items() if number not in state.ended)
        waiting = [work for work in open_work if work.analyzer == analyzer and work.intake_id > after]
        found = self.next_intake(analyzer, after=after)
        return tuple(takewhile(lambda work: not work.because, waiting[:limit])) or ((found,) if found else ())

    def capture(self, capture_id: int) -> rows.CaptureRow:
        """Give a kept capture. Raises KeyError if there is none."""
        return self._state.captures[capture_id]

    def seen_strips(self, needs: Needs, *, now: datetime, window: timedelta, apart_from: tuple[int, int]) -> SeenStrips:
        """Give earlier strips that could be this one, newest first; copies, superseded and the strip's own are left out."""
        others = [strip for strip in reversed(self._state.strips.values()) if _may_be(strip, apart_from)]
        of_analyzer = [strip for strip in others if strip.row.analyzer == needs.analyzer]
        numbered = [strip for strip in of_analyzer if (strip.row.mode, strip.row.number) == (needs.mode, needs.number)]
        if not needs.number and needs.patient_id:
            numbered = [strip for strip in numbered if strip.patient_printed in (needs.patient_id, "")]
        same_record = [strip for strip in of_analyzer if strip.row.record_digest == needs.record_digest]
        same_patient = [
            strip
            for strip in others
            if needs.patient_id and strip.patient_printed == needs.patient_id and _is_near(strip.row, needs, now, window)
        ]
        return SeenStrips(
            same_number=tuple(map(self._seen, numbered)),
            same_record=tuple(map(self._seen, same_record)),
            same_patient=tuple(map(self._seen, same_patient)),
        )

    def _seen(self, strip: Strip) -> SeenStrip:
        row = strip.row
        assert strip.content is not None
        is_stopped = any(
            stop.strip_id == row.strip_id and stop.state is StopState.OPEN and stop.delivery_id is None
            for stop in self._state.stops.values()
        )
        return SeenStrip(
            strip_id=row.strip_id,
            key=StripKey(analyzer=row.analyzer, mode=row.mode, series=row.series, number=row.number),
            content=strip.content,
            printed_at=row.analyzed_at,
            arrived_at=row.arrived_at,
            record_digest=row.record_digest,
            open_stop=is_stopped,
            discarded=row.outcome in ("discarded", "withdrawn"),
            specimen_id=row.specimen_id,
            is_reported=row.outcome in ("coded", "waiting"),
        )

    def strip_before(self, analyzer: str, seat: tuple[int, int]) -> Neighbour | None:
        """Give the patient's strip that an analyzer read last before the strip ``seat``."""
        before = [
            strip
            for strip in self._state.strips.values()
            if seat[0] - NEAR_CAPTURES <= strip.row.capture_id and (strip.row.capture_id, strip.row.index) < seat
            and strip.row.analyzer == analyzer and strip.is_newest and strip.content is not None
            and strip.row.outcome != "copy" and strip.row.purpose is Purpose.PATIENT
        ]  # fmt: skip
        if not before:
            return None
        last = max(before, key=lambda strip: (strip.row.capture_id, strip.row.index))
        assert last.content is not None
        return Neighbour(
            number=last.row.number, patient_id=last.row.patient_id, content=last.content,
            printed_at=last.row.analyzed_at, arrived_at=last.row.arrived_at,
        )  # fmt: skip

    def series(self, analyzer: str, mode: str) -> SeriesState | None:
        """Give the newest number series of an analyzer and mode."""
        return self._state.series.get((analyzer, mode))

    def reading_facts(self, capture_id: int, index: int, *, record_digest: str) -> rows.ReadingFacts:
        """Give what persons decided about a reading, and the result it became before, if no receiver has that."""
        place = (capture_id, index, record_digest)
        patient_id: str | None = None
        corrected_by: Actor | None = None
        accepted_by: dict[str, Actor] = {}
        timed = Decisions()
        for decided in self._state.decided:
            if decided.place == place:
                accepted_by |= decided.decisions.accepted_by
                if decided.decisions.analyzed_at:
                    timed = decided.decisions
                if decided.decisions.patient_id:
                    patient_id, corrected_by = decided.decisions.patient_id, decided.decisions.corrected_by
        own = (each.row for each in self._state.strips.values() if each.is_newest)
        placed = [row.series for row in own if (row.capture_id, row.index, row.record_digest) == place]
        return rows.ReadingFacts(
            placed=placed[0] if placed else "",
            decisions=Decisions(
                patient_id=patient_id,
                corrected_by=corrected_by,
                accepted_by=accepted_by,
                analyzed_at=timed.analyzed_at,
                timed_by=timed.timed_by,
            ),
            prior=self._prior(place),
            added=added_facts(self._state, place),
        )

    def _prior(self, place: tuple[int, int, str]) -> PriorResult | None:
        aside = {DeliveryState.SUPERSEDED, DeliveryState.DISCARDED}
        found: PriorResult | None = None
        for (result_id, version), result in self._state.results.items():
            strip = self._state.strips[result.strip_id].row
            if (strip.capture_id, strip.index, strip.record_digest) != place:
                continue
            sent = [s.row for s in self._state.sent.values() if (s.row.result_id, s.row.version) == (result_id, version)]
            if all(row.state in aside for row in sent) and (found is None or version > found.version):
                found = PriorResult(result_id=result_id, version=version)
        return found

    # --- delivering

    def lane_heads(self, destination: str, *, now: datetime, limit: int, turn: int = 0) -> tuple[rows.LaneHead, ...]:
        """Give deliveries that may be tried now, one a lane: lanes with STAT first, then oldest first; of more a fair choice."""
        state = self._state
        ready = [
            head
            for head in state.heads(destination).values()
            if head.row.state in (DeliveryState.QUEUED, DeliveryState.RETRYING)
            and (head.row.due_at is None or head.row.due_at <= now)
            and state.is_over(head.after)
        ]
        ready.sort(key=lambda head: (not state.is_urgent(head), head.row.delivery_id))
        retries = sorted((head for head in ready if head.row.due_at is not None), key=lambda head: head.row.due_at or now)

        def ids(heads: Iterable[Sent], *, urgent: bool) -> list[int]:
            return [head.row.delivery_id for head in heads if state.is_urgent(head) is urgent]

        untried = [head for head in ready if head.row.due_at is None]
        waiting = Waiting(
            urgent_untried=ids(untried, urgent=True),
            urgent_retries=ids(retries, urgent=True),
            untried=ids(untried, urgent=False),
            retries=ids(retries, urgent=False),
        )
        chosen = frozenset(choose(waiting, turn=turn, limit=limit))
        return tuple(_lane_head(head, is_urgent=state.is_urgent(head)) for head in ready if head.row.delivery_id in chosen)

    def next_due(self, destination: str) -> datetime | None:
        """Give the earliest due time of a head that waits for its next try and for nothing else."""
        heads = [head for head in self._state.heads(destination).values() if head.row.state is DeliveryState.RETRYING]
        return min((h.row.due_at for h in heads if h.row.due_at is not None and self._state.is_over(h.after)), default=None)

    def unanswered(self, destination: str, *, now: datetime, limit: int) -> tuple[int, ...]:
        """Give committed deliveries whose answer was due by ``now``, oldest first."""
        due = (row for row in self._committed_to(destination) if row.due_at is not None and row.due_at <= now)
        return tuple(row.delivery_id for row in due)[:limit]

    def next_unanswered(self, destination: str) -> datetime | None:
        """Give until when the next answer to a committed delivery is waited for."""
        return min((row.due_at for row in self._committed_to(destination) if row.due_at is not None), default=None)

    def _committed_to(self, destination: str) -> list[rows.DeliveryRow]:
        of = (destination, DeliveryState.COMMITTED)
        return [sent.row for sent in self._state.sent.values() if (sent.row.destination, sent.row.state) == of]

    def unborn(self, destination: str, *, limit: int) -> tuple[tuple[int, CodedResult], ...]:
        """Give deliveries whose message is still to be made and whose ``after`` is over, oldest first."""
        state = self._state
        waiting = [
            sent.row
            for sent in state.sent.values()
            if (sent.row.destination, sent.row.state) == (destination, DeliveryState.UNBORN)
            and state.is_over(sent.after)
            and not is_awaited(state, sent.row.result_id, sent.row.version)
        ]
        found = ((row.delivery_id, state.results[row.result_id, row.version].content) for row in waiting[:limit])
        return tuple((number, as_sent(state, result, destination)) for number, result in found)

    def waiting_tables(self, destination: str) -> frozenset[str]:
        """Name, by digest, the table sets that coded what waits for ``destination``, born or not."""
        waiting = (sent for sent in self._state.sent.values() if sent.row.destination == destination and sent.is_open)
        return frozenset(sent.tables_digest for sent in waiting)

    def table_set(self, digest: str) -> bytes | None:
        """Give the canonical JSON of a table set that was kept."""
        return self._state.table_sets.get(digest)

    def plan_check(self, digest: str) -> str | None:
        """Give what the oracles said of a plan: None if never asked, "" if it passed."""
        return self._state.plan_checks.get(digest)


def _may_be(strip: Strip, apart_from: tuple[int, int]) -> bool:
    is_own = (strip.row.capture_id, strip.row.index) == apart_from
    return strip.is_newest and strip.content is not None and strip.row.outcome != "copy" and not is_own


def _is_near(row: rows.StripRow, needs: Needs, now: datetime, window: timedelta) -> bool:
    """Say whether a strip arrived, or was read, within the window of this one."""
    if now - window - SLACK <= row.arrived_at <= now + window + SLACK:
        return True
    at = needs.printed_at
    return at is not None and row.analyzed_at is not None and at - window <= row.analyzed_at <= at + window


def _lane_head(head: Sent, *, is_urgent: bool) -> rows.LaneHead:
    assert head.message is not None
    return rows.LaneHead(
        delivery_id=head.row.delivery_id,
        message=replace(head.message, lane=head.row.lane),
        is_urgent=is_urgent,
        attempts=head.row.attempts,
        born_at=head.row.born_at,
        first_attempt_at=head.first_attempt_at,
    )
