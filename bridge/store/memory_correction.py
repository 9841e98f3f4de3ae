"""Corrections on the in-memory twin: new versions of a result, each in its order, and the calls about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import REPLACED, DeliveryEvent, StopState
from bridge.model import SERVICE, Actor, CodedResult, DeliveryState, ResultStatus
from bridge.store.apply_look_back import DECIDED
from bridge.store.apply_telling import OTHER_PATIENT, WITHDRAWN, Why
from bridge.store.chains import NEVER_LEFT
from bridge.store.commands import CorrectResult, RecordCall, RecordedCorrection
from bridge.store.memory_additions import end_wait_of
from bridge.store.memory_look_back import is_decided, settle_look_back
from bridge.store.memory_rows import Corrected, Result, Sent, State, next_id
from bridge.store.memory_telling import tell_again
from bridge.store.rows import CorrectionRow, DeliveryRow
from bridge.store.statements import Change

Move = Callable[..., DeliveryState]
_D = DeliveryState


def correct_result(state: State, command: CorrectResult, move: Move) -> RecordedCorrection:
    """Put new versions on their way. Raises Overtaken or RefusedAction."""
    of = command.correction
    strip_id = _standing_strip(state, command)
    sent = [each for each in state.sent.values() if each.row.result_id == of.result_id]
    doubtful = next((each.row.destination for each in sent if each.row.state in (_D.UNSURE, _D.UNMADE)), None)
    if doubtful is not None:
        raise RefusedAction(
            f"After the restore nobody knows whether {doubtful} has this result. Settle that row among the rejected messages first, then come back."
        )
    end_wait_of(state, of.result_id)
    seat = (state.strips[strip_id].row.capture_id, state.strips[strip_id].row.index)
    made, withdrawn = command.made, command.withdrawn
    shown = made or withdrawn
    assert shown is not None
    old = state.strips[strip_id]
    new_strip = next_id(state.strips)
    state.strips[strip_id] = replace(old, row=replace(old.row, outcome="superseded"), is_newest=False)
    outcome = "withdrawn" if made is None else "coded"
    row = replace(
        old.row, strip_id=new_strip, outcome=outcome, patient_id=shown.patient_id, specimen_id=shown.specimen_id, result_id=shown.result_id
    )  # fmt: skip
    state.strips[new_strip] = replace(old, row=row, is_newest=True)
    if withdrawn is not None:
        why = WITHDRAWN if made is None else OTHER_PATIENT
        tell_again(state, seat, Why(reason=why, actor=of.by, at=of.at))
    correction_id = next_id(state.corrections)
    state.corrections[correction_id] = Corrected(
        correction=of, withdrawn_version=withdrawn.version if withdrawn else None, calls=()
    )
    subject = f"correction:{correction_id}"
    state.note(of.at, of.by, "result.changed", subject, Change(after=of.kind, reason=of.reason))
    settle_look_back(state, command, seat, correction_id)
    if withdrawn is not None:
        state.results[withdrawn.result_id, withdrawn.version] = Result(
            strip_id=new_strip if made is None else strip_id, content=withdrawn
        )
    if made is not None:
        state.results[made.result_id, made.version] = Result(strip_id=new_strip, content=made)
    withdrawals, successors = [], []
    for destination in dict.fromkeys(each.row.destination for each in sent):
        of_place = [each for each in sent if each.row.destination == destination]
        tried = [each for each in of_place if each.row.state in (_D.SENDING, _D.RETRYING, _D.COMMITTED)]
        waits = [each.row.delivery_id for each in tried if has_left(state, each.row.delivery_id)]
        waits += [each.after for each in of_place if each.row.state is _D.UNBORN and each.after and not state.is_over(each.after)]
        for each in of_place:
            is_untried = each.row.state is _D.RETRYING and each.row.delivery_id not in waits
            if is_untried or each.row.state in (_D.UNBORN, _D.QUEUED, _D.REFUSED, _D.EXPIRED):
                _set_aside(state, each.row.delivery_id, of.by, move, at=of.at)
        is_there = may_be_there(state, of.result_id, destination)
        before = max(waits, default=None)
        if withdrawn is not None and is_there:
            lane = of_place[-1].row.lane
            before = _deliver(state, command, withdrawn, destination, lane=lane_behind(lane) or lane, after=before)
            withdrawals.append(before)
        if made is not None and (is_there or of_place[-1].row.state is not _D.DISCARDED):
            successors.append(_deliver(state, command, made, destination, lane=command.lane, after=before))
    return RecordedCorrection(
        correction_id=correction_id, strip_id=new_strip, withdrawals=tuple(withdrawals), successors=tuple(successors)
    )


def _standing_strip(state: State, command: CorrectResult) -> int:
    of = command.correction
    versions = {version: result for (result_id, version), result in state.results.items() if result_id == of.result_id}
    newest = versions.get(max(versions, default=0))
    strip = state.strips[newest.strip_id] if newest else None
    if strip is None or max(versions) != of.version or strip.row.outcome != "coded" or not strip.is_newest:
        raise Overtaken("This result does not stand as you saw it any more. Look at it again.")
    for number, work in state.intake.items():
        same = work.capture_id == strip.row.capture_id and work.only_index in (None, strip.row.index)
        if same and number not in state.ended:
            raise Overtaken("This result does not stand as you saw it any more. Look at it again.")
    if is_decided(state, command, (strip.row.capture_id, strip.row.index)):
        raise Overtaken(DECIDED)
    return strip.row.strip_id


def _deliver(state: State, command: CorrectResult, result: CodedResult, destination: str, *, lane: str, after: int | None) -> int:
    delivery_id, of = next_id(state.sent), command.correction
    if after is not None and not state.is_over(after) and state.sent[after].row.lane != lane:
        lane = f"after:{after}:{lane}"
    row = DeliveryRow(
        delivery_id=delivery_id, destination=destination, result_id=result.result_id, version=result.version, control_id="",
        state=_D.UNBORN, attempts=0, born_at=of.at, due_at=None, accepted_at=None, last_code="", lane=lane, priority=result.priority,
    )  # fmt: skip
    state.sent[delivery_id] = Sent(row=row, message=None, first_attempt_at=None, after=after, tables_digest=result.tables_digest)
    state.note(of.at, of.by, "delivery.made", f"delivery:{delivery_id}", Change(after=_D.UNBORN))
    return delivery_id


def lane_behind(waiting: str) -> str:
    """Give the lane that a delivery is to join which waits for another lane's; "" where it stands in one already."""
    return waiting.split(":", 2)[2] if waiting.startswith("after:") else ""


def join_lanes(state: State, over: int) -> None:
    """Let what waited for a delivery that is over now join its lane."""
    if not state.is_over(over):
        return
    for each in list(state.sent.values()):
        if each.after == over and (lane := lane_behind(each.row.lane)):
            state.sent[each.row.delivery_id] = replace(each, row=replace(each.row, lane=lane))


def may_be_there(state: State, result_id: str, destination: str) -> bool:
    """Say whether a receiver has some version of a result, or may have it."""
    of_place = (s.row for s in state.sent.values() if (s.row.result_id, s.row.destination) == (result_id, destination))
    return any(_may_be_there(state, row) for row in of_place)


def _may_be_there(state: State, row: DeliveryRow) -> bool:
    if row.state in (_D.ACCEPTED, _D.SENDING, _D.RETRYING, _D.COMMITTED):
        return True
    stops = [stop.rule for stop in state.stops.values() if stop.delivery_id == row.delivery_id]
    is_past = row.state in (_D.EXPIRED, _D.UNSURE, _D.SUPERSEDED, _D.DISCARDED)
    return is_past and has_left(state, row.delivery_id) and stops[-1:] != ["deliver.refused"]


def has_left(state: State, delivery_id: int) -> bool:
    """Say whether any try of a delivery sent something, or may have."""
    return any(tried.delivery_id == delivery_id and tried.row.code not in NEVER_LEFT for tried in state.tried.values())


def as_sent(state: State, result: CodedResult, destination: str) -> CodedResult:
    """Give a result with the status that it has for one receiver."""
    if result.version == 1 or result.status is not ResultStatus.FINAL or not may_be_there(state, result.result_id, destination):
        return result
    return replace(result, status=ResultStatus.CORRECTED)


def was_corrected(state: State, result_id: str) -> bool:
    """Say whether a result was ever corrected, withdrawn, or made by that."""
    return any(result_id in (each.correction.result_id, each.correction.new_result_id) for each in state.corrections.values())


def _is_withdrawal(state: State, row: DeliveryRow) -> bool:
    return any(
        (each.correction.result_id, each.withdrawn_version) == (row.result_id, row.version) for each in state.corrections.values()
    )


def replaced(state: State, delivery_id: int, move: Move, *, at: datetime) -> None:
    """Set aside a delivery that stopped while a later version of its result waits for it, and a withdrawal that has nothing to withdraw."""
    row = state.sent[delivery_id].row
    successors = [
        s.row
        for s in state.sent.values()
        if s.after == delivery_id and s.row.result_id == row.result_id and s.row.state is _D.UNBORN
    ]
    if not successors or _is_withdrawal(state, row):
        return
    _set_aside(state, delivery_id, SERVICE, move, at=at)
    for each in successors:
        if _is_withdrawal(state, each) and not may_be_there(state, each.result_id, each.destination):
            move(state, each.delivery_id, DeliveryEvent.SUPERSEDE, at, SERVICE)


def _set_aside(state: State, delivery_id: int, actor: Actor, move: Move, *, at: datetime) -> None:
    move(state, delivery_id, DeliveryEvent.SUPERSEDE, at, actor)
    for stop_id, stop in list(state.stops.items()):
        if stop.delivery_id == delivery_id and stop.state is StopState.OPEN:
            state.stops[stop_id] = replace(
                stop, state=StopState.CLOSED, closed_at=at, closed_by=f"{actor.name} ({actor.verified})", closed_how=REPLACED
            )
            state.note(at, actor, "stop.closed", f"stop:{stop_id}", Change(before="open", after=REPLACED))


def record_call(state: State, command: RecordCall) -> int:
    """Keep a call; give its id. Raises Overtaken where there is no such correction."""
    found = state.corrections.get(command.correction_id)
    if found is None:
        raise Overtaken("There is no such correction any more. Look at the list again.")
    call = command.call
    state.corrections[command.correction_id] = replace(found, calls=(*found.calls, call))
    after = "read back" if call.read_back else "not read back"
    subject = f"correction:{command.correction_id}"
    state.note(call.at, call.by, "call.made", subject, Change(after=after, reason=call.unit))
    return sum(len(each.calls) for each in state.corrections.values())


class CorrectionsInMemory:
    """The reads of corrections; mixed into the twin."""

    _state: State

    def corrections(self, *, result_id: str = "", since: datetime | None = None, limit: int = 100) -> tuple[CorrectionRow, ...]:
        """Give corrections, newest first: of a result, as it was or as it is now, or those made since then."""
        found = [
            self._row(number, each)
            for number, each in reversed(self._state.corrections.items())
            if (not result_id or result_id in (each.correction.result_id, each.correction.new_result_id))
            and (since is None or each.correction.at >= since)
        ]
        return tuple(found[:limit])

    def correction(self, correction_id: int) -> CorrectionRow | None:
        """Give one correction."""
        found = self._state.corrections.get(correction_id)
        return self._row(correction_id, found) if found else None

    def _row(self, number: int, each: Corrected) -> CorrectionRow:
        of = (each.correction.result_id, each.withdrawn_version)
        rows: Iterable[DeliveryRow] = (s.row for s in self._state.sent.values() if (s.row.result_id, s.row.version) == of)
        withdrawals = tuple((row.destination, row.state) for row in rows)
        return CorrectionRow(correction_id=number, correction=each.correction, withdrawals=withdrawals, calls=each.calls)

    def result_versions(self, result_id: str) -> tuple[CodedResult, ...]:
        """Give every version of a result, oldest first."""
        found = sorted((version, result) for (its, version), result in self._state.results.items() if its == result_id)
        return tuple(result.content for _, result in found)
