"""Additions on the in-memory twin: what waits for them, and what is asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from bridge.added import AddedFacts, Addition
from bridge.bench.gate import Seat
from bridge.errors import Overtaken
from bridge.lifecycle.states import DeliveryEvent, StopEnd
from bridge.model import SERVICE, Actor, CodedResult, DeliveryState
from bridge.store.addition_commands import AddedWrite, AddToHeld, AddToResult, EndAwaiting
from bridge.store.apply_additions import ADDED_EVENT, NOT_ADDED, OVER_WORDS, WITHOUT_EVENT, ended_words, said
from bridge.store.commands import CloseStop, RecordOutcome
from bridge.store.memory_gate import judge_again
from bridge.store.memory_rows import Added, Awaited, Sent, State, next_id
from bridge.store.reads_additions import ADDED, HELD, OPEN, OVER, WENT
from bridge.store.rows import AwaitedRow, StripRow
from bridge.store.statements import Change


def await_additions(state: State, command: RecordOutcome, write: AddedWrite, result: CodedResult, *, waits: bool) -> None:
    """Note that a result waits for additions, and let an urgent one hurry what stands in front of it."""
    if not command.deliveries:
        return
    lane = command.deliveries[0].lane
    for number, each in list(state.awaited.items()):
        if write.hurries and each.state == OPEN and each.due_at > write.due_at and _lane(state, each) == lane:
            state.awaited[number] = replace(each, due_at=write.due_at)
    if waits:
        state.awaited[next_id(state.awaited)] = Awaited(
            seat=(command.capture_id, command.reading.index), result_id=result.result_id, version=result.version, asks=write.asks,
            due_at=write.due_at, holds=write.holds, state=OPEN,
        )  # fmt: skip


def _lane(state: State, awaited: Awaited) -> str:
    return next((sent.row.lane for sent in state.sent.values() if _is_of(sent, awaited)), "")


def add_to_result(state: State, command: AddToResult) -> None:
    """Keep what was added to a result, and let it go. Raises Overtaken where it does not wait any more."""
    awaited = state.awaited.get(command.awaited_id)
    if awaited is None:
        raise Overtaken(OVER_WORDS)
    of = (awaited.result_id, awaited.version)
    if awaited.state != OPEN or of != (command.made.result_id, command.made.version):
        raise Overtaken(ended_words(awaited.state, _added_by(state, awaited.seat)))
    if not _is_unseen(state, awaited):
        raise Overtaken(OVER_WORDS)
    _keep(state, awaited.seat, command.additions, command.actor)
    state.results[of] = replace(state.results[of], content=command.made)
    state.awaited[command.awaited_id] = replace(awaited, state=ADDED)


def add_to_held(state: State, command: AddToHeld, close_stop: Callable[[State, CloseStop], None]) -> None:
    """Keep what was added to a held strip, and judge it again."""
    end = CloseStop(
        stop_id=command.stop_id, end=StopEnd.READ_AGAIN, actor=command.actor, reason=said(command.additions), at=command.at
    )
    close_stop(state, end)
    strip = state.strips[state.stops[command.stop_id].strip_id or 0].row
    _keep(state, (strip.capture_id, strip.index), command.additions, command.actor)


def end_awaiting(state: State, command: EndAwaiting, move: Callable[..., DeliveryState]) -> int:
    """End the waits whose time is over; give how many."""
    due = [(each.due_at, number) for number, each in state.awaited.items() if each.state == OPEN and each.due_at <= command.at]
    for _, number in sorted(due)[: command.most]:
        awaited = state.awaited[number]
        if not _is_unseen(state, awaited):
            state.awaited[number] = replace(awaited, state=OVER)
        elif awaited.holds:
            state.awaited[number] = replace(awaited, state=HELD)
            for sent in [each for each in state.sent.values() if _is_of(each, awaited)]:
                move(state, sent.row.delivery_id, DeliveryEvent.SUPERSEDE, command.at, SERVICE)
            judge_again(state, *awaited.seat, NOT_ADDED)
        else:
            state.awaited[number] = replace(awaited, state=WENT)
            strip = _strip(state, awaited.seat)
            state.note(command.at, SERVICE, WITHOUT_EVENT, f"strip:{strip.strip_id}", Change(after="sent without"))
    return len(due[: command.most])


def end_wait_of(state: State, result_id: str) -> None:
    """End the wait of a result that a person changed."""
    for number, each in list(state.awaited.items()):
        if each.state == OPEN and each.result_id == result_id:
            state.awaited[number] = replace(each, state=OVER)


def _added_by(state: State, seat: Seat) -> str:
    return next((each.addition.by for each in reversed(state.added) if each.seat == seat), "")


def _is_of(sent: Sent, awaited: Awaited) -> bool:
    return (sent.row.result_id, sent.row.version) == (awaited.result_id, awaited.version)


def is_awaited(state: State, result_id: str, version: int) -> bool:
    """Say whether a result waits for additions still: its messages are not made then."""
    return any(each.state == OPEN and (each.result_id, each.version) == (result_id, version) for each in state.awaited.values())


def _is_unseen(state: State, awaited: Awaited) -> bool:
    of = [sent.row.state for sent in state.sent.values() if _is_of(sent, awaited)]
    return bool(of) and all(each is DeliveryState.UNBORN for each in of)


def _keep(state: State, seat: Seat, additions: Sequence[Addition], actor: Actor) -> None:
    strip = _strip(state, seat)
    state.added += [Added(seat=seat, record_digest=strip.record_digest, addition=each) for each in additions]
    change = Change(after="added to", reason=said(additions))
    state.note(additions[0].at, actor, ADDED_EVENT, f"strip:{strip.strip_id}", change)


def _strip(state: State, seat: Seat) -> StripRow:
    newest = (strip.row for strip in state.strips.values() if strip.is_newest)
    return next(row for row in newest if (row.capture_id, row.index) == seat)


def added_facts(state: State, place: tuple[int, int, str]) -> AddedFacts | None:
    """Give what was added to a reading, and whether its time was over; None where neither is so."""
    values = tuple(each.addition for each in state.added if (*each.seat, each.record_digest) == place)
    is_overdue = any(each.seat == place[:2] and each.state == HELD for each in state.awaited.values())
    return AddedFacts(values=values, is_overdue=is_overdue) if values or is_overdue else None


class AdditionsInMemory:
    """The reads of additions; mixed into the twin, which has the state."""

    _state: State

    def awaited(self, *, after: int | None = None, limit: int = 100) -> tuple[AwaitedRow, ...]:
        """Give the results that wait for additions, in the order in which they came."""
        found = (number for number, each in self._state.awaited.items() if each.state == OPEN and number > (after or 0))
        return tuple([self._awaited_row(number) for number in found][:limit])

    def awaited_one(self, awaited_id: int) -> AwaitedRow | None:
        """Give one wait, over or not."""
        return self._awaited_row(awaited_id) if awaited_id in self._state.awaited else None

    def awaited_of(self, result_id: str) -> AwaitedRow | None:
        """Give the open wait of a result."""
        return next((row for row in self.awaited() if row.result_id == result_id), None)

    def awaited_count(self) -> int:
        """Count the results that wait for additions."""
        return sum(each.state == OPEN for each in self._state.awaited.values())

    def awaited_named(self, text: str) -> tuple[AwaitedRow, ...]:
        """Give the results that wait and whose strip has ``text`` as its number, specimen ID or patient ID."""
        rows = self.awaited(limit=len(self._state.awaited))
        return tuple(row for row in rows if text in (row.strip.number, row.strip.specimen_id, row.strip.patient_id))

    def next_awaited_due(self) -> datetime | None:
        """Give when the next wait for additions is over; None where none is."""
        return min((each.due_at for each in self._state.awaited.values() if each.state == OPEN), default=None)

    def _awaited_row(self, number: int) -> AwaitedRow:
        each = self._state.awaited[number]
        return AwaitedRow(
            awaited_id=number, strip=_strip(self._state, each.seat), result_id=each.result_id, version=each.version, asks=each.asks,
            due_at=each.due_at, holds=each.holds, state=each.state, added_by=_added_by(self._state, each.seat) if each.state == ADDED else "",
        )  # fmt: skip
