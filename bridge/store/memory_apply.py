"""What each command does to the in-memory twin. A command that raises leaves a state that is thrown away."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import (
    ANSWERED_LATE,
    STOPPED_DELIVERY,
    UNSETTLED_DELIVERY,
    DeliveryEvent,
    DestinationState,
    StopEnd,
    StopGroup,
    StopState,
    step,
)
from bridge.model import SERVICE, Actor, Answer, Decisions, DeliveryState, Priority, Purpose
from bridge.store import commands as c
from bridge.store.account_commands import (
    BeginTry,
    EndKey,
    EndSession,
    EnterKey,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.addition_commands import AddToHeld, AddToResult, EndAwaiting
from bridge.store.apply_desk import NEVER_SENT, NOT_KEPT
from bridge.store.apply_stop import ENDED
from bridge.store.apply_telling import DISCARDED, Why
from bridge.store.audit_commands import NoteVerified
from bridge.store.chains import CORRECTED_ALREADY, NEVER_LEFT, NEVER_THERE, is_there_words
from bridge.store.digest_commands import KeepDigest
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from bridge.store.life_commands import EndRegistration, NoteDayLog, NoteLife, RegisterId, SignRegistration
from bridge.store.memory_accounts import (
    begin_try,
    end_key,
    end_session,
    enter_key,
    keep_account,
    lock_session,
    make_sure,
    note_access,
    open_session,
    touch_session,
)
from bridge.store.memory_additions import add_to_held, add_to_result, end_awaiting
from bridge.store.memory_audit import note_sights, note_verified
from bridge.store.memory_correction import correct_result, has_left, join_lanes, record_call, replaced, was_corrected
from bridge.store.memory_day_log import note_day_log
from bridge.store.memory_digest import keep_digest
from bridge.store.memory_envelopes import look_into_envelope, open_envelope, seal_envelope
from bridge.store.memory_gate import close_lot, end_waiting, enter_lot, judge_waiting, say_of_gate, sign_lot
from bridge.store.memory_lease import check_lease, hold_leases, leave_leases, recover_deliveries
from bridge.store.memory_life import note_life
from bridge.store.memory_look_back import let_stand
from bridge.store.memory_lots import accept_lot, close_container, open_container, sign_accepted_lot, withdraw_lot
from bridge.store.memory_month import note_action, sign_month
from bridge.store.memory_numbers import answer_gap, confirm_run, sign_day
from bridge.store.memory_operators import end_operator, enter_operator
from bridge.store.memory_outcome import record_outcome, set_unreadable_aside
from bridge.store.memory_quick import end_bench, keep_quick, mark_bench, open_bench
from bridge.store.memory_registered import end_registration, register_id, sign_registration
from bridge.store.memory_rows import Decided, Door, Sent, State, Tried, next_id
from bridge.store.memory_signals import acknowledge_signal, keep_signals, keep_test, mute_signals, note_on_signal, note_said
from bridge.store.memory_stops import assign_stop, keep_owner, note_stop, owner_before
from bridge.store.memory_telling import say_of_telling, tell_again
from bridge.store.memory_today import close_note, leave_note, pause_destination, resume_destination
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from bridge.store.rows import AttemptRow, CaptureRow, DeliveryRow, IntakeRow, RefusedFileRow, StopRow
from bridge.store.statements import Change
from bridge.store.stop_commands import AssignStop, NoteStop
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination

_EVENTS: Mapping[Answer, DeliveryEvent] = {
    Answer.ACCEPTED: DeliveryEvent.ACCEPT,
    Answer.COMMITTED: DeliveryEvent.COMMIT,
    Answer.TRY_AGAIN: DeliveryEvent.TRY_AGAIN,
    Answer.REFUSED: DeliveryEvent.REFUSE,
    Answer.CLOSED: DeliveryEvent.CLOSE,
}
COMMITTED = "CA"  # as apply_answers.py has it (HL7 table 0008)
_GONE = (DeliveryState.SUPERSEDED, DeliveryState.DISCARDED)


def keep_capture(state: State, command: c.KeepCapture) -> int:
    """Keep a capture and put it to judging; a known origin gives its id again."""
    if command.origin in state.origins:
        return state.origins[command.origin]
    capture_id = next_id(state.captures)
    state.captures[capture_id] = CaptureRow(
        capture_id=capture_id,
        analyzer=command.analyzer,
        profile=command.profile,
        capture=command.capture,
        digest=command.capture.digest,
    )
    if command.origin:
        state.origins[command.origin] = capture_id
    _put_to_judging(state, capture_id, only_index=None, because="")
    return capture_id


def keep_run(state: State, command: c.KeepRun) -> tuple[int, ...]:
    """Keep captures in their order."""
    return tuple(
        keep_capture(state, c.KeepCapture(capture=capture, analyzer=command.analyzer, profile=command.profile))
        for capture in command.captures
    )


def _put_to_judging(state: State, capture_id: int, *, only_index: int | None, because: str) -> None:
    kept = state.captures[capture_id]
    intake_id = next_id(state.intake)
    state.intake[intake_id] = IntakeRow(
        intake_id=intake_id, capture_id=capture_id, analyzer=kept.analyzer, profile=kept.profile, only_index=only_index,
        next_index=only_index or 0, because=because,
    )  # fmt: skip


def note_refused_file(state: State, command: c.NoteRefusedFile) -> int:
    """Open a stop for a file that was not captured; the same file again is counted there."""
    for stop_id, file in state.refused_files.items():
        stop = state.stops[stop_id]
        if (file.name, file.digest, stop.state) == (command.name, command.digest, StopState.OPEN):
            state.stops[stop_id] = replace(stop, repeats=stop.repeats + 1, last_repeat_at=command.at)
            return stop_id
    stop_id = next_id(state.stops)
    state.stops[stop_id] = StopRow(
        stop_id=stop_id, group=StopGroup.REJECTED, state=StopState.OPEN, rule="receive.refused", rules=("receive.refused",),
        sentence=command.sentence, remedy=command.remedy, place=None, opened_at=command.at, repeats=0, last_repeat_at=None,
        source=command.source, analyzer="", number="", patient_id="", purpose=Purpose.PATIENT, priority=Priority.ROUTINE,
        releasable=False, capture_id=None, index=None, strip_id=None, delivery_id=None, destination="", receiver_words="",
        closed_at=None, closed_by="", closed_how="", closed_reason="",
    )  # fmt: skip
    state.refused_files[stop_id] = RefusedFileRow(
        name=command.name, digest=command.digest, size=command.size, beginning=command.beginning
    )
    state.note(command.at, SERVICE, "stop.opened", f"stop:{stop_id}", Change(after=StopGroup.REJECTED, reason="receive.refused"))
    return stop_id


def end_intake(state: State, command: c.EndIntake) -> None:
    """End a piece of judging work; one that is over, or never was, stays so."""
    work = state.intake.get(command.intake_id)
    if work is None or command.intake_id in state.ended:
        return
    if work.only_index is None and work.because:
        set_unreadable_aside(state, work.capture_id, behind=work.next_index - 1, at=command.at)
    state.ended.add(command.intake_id)


# --- deliveries


def move(state: State, delivery_id: int, event: DeliveryEvent, at: datetime, actor: Actor, *, reason: str = "") -> DeliveryState:
    """Move a delivery by the state table; give its new state. Raises ValueError for a move that must not happen."""
    sent = state.sent[delivery_id]
    after = step(sent.row.state, event)
    what, subject = f"delivery.{event.name.lower()}", f"delivery:{delivery_id}"
    state.note(at, actor, what, subject, Change(before=sent.row.state, after=after, reason=reason))
    state.sent[delivery_id] = replace(sent, row=replace(sent.row, state=after))
    join_lanes(state, delivery_id)
    return after


def bear_message(state: State, command: c.BearMessage) -> None:
    """Give an unborn delivery its message. Raises Overtaken where a person has ended it meanwhile."""
    _require_not_ended(state, command.delivery_id)
    move(state, command.delivery_id, DeliveryEvent.BEAR, command.at, SERVICE)
    give_number(state, command.message.control_id)
    sent = state.sent[command.delivery_id]
    row = replace(sent.row, control_id=command.message.control_id)
    message = replace(command.message, lane=sent.row.lane, priority=sent.row.priority)
    state.sent[command.delivery_id] = replace(sent, row=row, message=message)


def give_number(state: State, control_id: str) -> None:
    """Take a control ID. Raises ValueError for one that was given before."""
    if control_id in state.control_ids:
        raise ValueError(f"the control_id {control_id} was given before")
    state.control_ids.add(control_id)


def withhold_delivery(state: State, command: c.WithholdDelivery) -> None:
    """End an unborn delivery that its destination takes no more. Raises Overtaken where a person has ended it meanwhile."""
    _require_not_ended(state, command.delivery_id)
    move(state, command.delivery_id, DeliveryEvent.WITHHOLD, command.at, SERVICE)


def _require_not_ended(state: State, delivery_id: int) -> None:
    if state.sent[delivery_id].row.state in {DeliveryState.SUPERSEDED, DeliveryState.DISCARDED}:
        raise Overtaken("Somebody has ended this delivery already. Look at what is next.")


def begin_attempt(state: State, command: c.BeginAttempt) -> int | None:
    """Note that a try begins, if it may: queued or retrying, head of its lane, and ``after`` over."""
    sent = state.sent.get(command.delivery_id)
    if sent is None or sent.row.state not in (DeliveryState.QUEUED, DeliveryState.RETRYING):
        return None
    head = state.heads(sent.row.destination)[sent.row.lane]
    if head.row.delivery_id != command.delivery_id or not state.is_over(sent.after):
        return None
    move(state, command.delivery_id, DeliveryEvent.BEGIN, command.at, SERVICE)
    sent = state.sent[command.delivery_id]
    row = replace(sent.row, attempts=sent.row.attempts + 1, due_at=None)
    state.sent[command.delivery_id] = replace(sent, row=row, first_attempt_at=sent.first_attempt_at or command.at)
    attempt = next_id(state.tried)
    tried = AttemptRow(started_at=command.at, ended_at=None, code="", text="")
    state.tried[attempt] = Tried(delivery_id=command.delivery_id, row=tried)
    return attempt


def end_attempt(state: State, command: c.EndAttempt) -> DeliveryState:
    """Note what came of a try; a refused or expired delivery opens a stop. A try that is over already stays as it is."""
    tried = state.tried.get(command.attempt)
    if tried is None or tried.delivery_id != command.delivery_id:
        raise ValueError(f"delivery {command.delivery_id} has no attempt {command.attempt}")
    if tried.row.ended_at is not None:
        return state.sent[command.delivery_id].row.state
    ack = command.acknowledgement
    event = DeliveryEvent.EXPIRE if command.expire else _EVENTS[ack.answer]
    after = move(state, command.delivery_id, event, command.at, SERVICE, reason=ack.code)
    ended = replace(tried.row, ended_at=command.at, code=ack.code, text=ack.text)
    state.tried[command.attempt] = replace(tried, row=ended)
    state.sent[command.delivery_id] = _told(state.sent[command.delivery_id], command)
    if after is DeliveryState.RETRYING and not has_left(state, command.delivery_id):
        replaced(state, command.delivery_id, move, at=command.at)
    if after in STOPPED_DELIVERY:
        refused = after is DeliveryState.REFUSED
        rule = "deliver.refused" if refused else "deliver.expired"
        _stop_delivery(state, command, command.delivery_id, rule=rule, words=ack.text)
    return after


def _told(sent: Sent, command: c.EndAttempt) -> Sent:
    """Give the delivery with what its receiver said at the end of a try."""
    sent = _answered(sent, command.acknowledgement.code, at=command.at, due_at=command.due_at)
    if command.acknowledgement.answer is Answer.CLOSED:  # the receiver has nothing of it, so the try is not counted
        first = None if sent.row.attempts == 1 else sent.first_attempt_at
        sent = replace(sent, row=replace(sent.row, attempts=sent.row.attempts - 1), first_attempt_at=first)
    return sent


def _answered(sent: Sent, code: str, *, at: datetime, due_at: datetime | None) -> Sent:
    waits = sent.row.state in (DeliveryState.RETRYING, DeliveryState.COMMITTED)
    accepted_at = at if sent.row.state is DeliveryState.ACCEPTED else None
    return replace(sent, row=replace(sent.row, due_at=due_at if waits else None, accepted_at=accepted_at, last_code=code))


def note_answer(state: State, command: c.NoteAnswer) -> c.NotedAnswer | None:
    """Note an answer that came apart from its try, unless that is under way; None if no such message was sent to that destination."""
    of = (command.control_id, command.destination)
    found = [s.row for s in state.sent.values() if (s.row.control_id, s.row.destination) == of and s.row.attempts > 0]
    if not found:
        return None
    (row,), ack = found, command.acknowledgement
    if row.state is DeliveryState.SENDING:
        return c.NotedAnswer(delivery_id=row.delivery_id, state=row.state, counts=False)
    event = _late_event(row, ack.answer)
    attempt = max(number for number, tried in state.tried.items() if tried.delivery_id == row.delivery_id)
    tried = state.tried[attempt]
    said = replace(tried.row, code=f"{tried.row.code}, later {ack.code}", text=ack.text or tried.row.text)
    state.tried[attempt] = replace(tried, row=said)
    subject = f"delivery:{row.delivery_id}"
    if event is None:
        change = Change(before=row.state, after=row.state, reason=ack.code)
        state.note(command.at, SERVICE, "delivery.answered_late", subject, change)
        return c.NotedAnswer(delivery_id=row.delivery_id, state=row.state, counts=False)
    _close_unanswered(state, row.delivery_id, command.at)
    after = move(state, row.delivery_id, event, command.at, SERVICE, reason=ack.code)
    sent = state.sent[row.delivery_id]
    state.sent[row.delivery_id] = _answered(sent, ack.code, at=command.at, due_at=command.due_at)
    if after in STOPPED_DELIVERY:
        _stop_delivery(state, command, row.delivery_id, rule="deliver.refused", words=ack.text)
    return c.NotedAnswer(delivery_id=row.delivery_id, state=after, counts=True)


def _late_event(row: DeliveryRow, answer: Answer) -> DeliveryEvent | None:
    """Give what a late answer is for a delivery; None if it changes nothing."""
    if row.state is DeliveryState.ACCEPTED:
        return DeliveryEvent.TAKE_BACK if row.last_code == COMMITTED and answer is Answer.REFUSED else None
    is_word = answer in (Answer.ACCEPTED, Answer.REFUSED)
    settles = is_word or (answer is Answer.TRY_AGAIN and row.state is DeliveryState.COMMITTED)
    return _EVENTS[answer] if row.state in UNSETTLED_DELIVERY and settles else None


def _close_unanswered(state: State, delivery_id: int, at: datetime) -> None:
    for stop in list(state.stops.values()):
        if stop.delivery_id == delivery_id and stop.state is StopState.OPEN:
            state.stops[stop.stop_id] = replace(
                stop, state=StopState.CLOSED, closed_at=at, closed_by="padpost (service)", closed_how=ANSWERED_LATE
            )
            change = Change(before="open", after=ANSWERED_LATE)
            state.note(at, SERVICE, "stop.closed", f"stop:{stop.stop_id}", change)


def end_wait(state: State, command: c.EndWait) -> DeliveryState:
    """End the wait for the answer to a committed delivery: silence was a yes, or a stop opens."""
    before = state.sent[command.delivery_id].row.state
    if before is not DeliveryState.COMMITTED:
        return before
    event = DeliveryEvent.LAPSE if command.is_yes else DeliveryEvent.EXPIRE
    after = move(state, command.delivery_id, event, command.at, SERVICE, reason=COMMITTED)
    sent = state.sent[command.delivery_id]
    state.sent[command.delivery_id] = _answered(sent, COMMITTED, at=command.at, due_at=None)
    if after in STOPPED_DELIVERY:
        _stop_delivery(state, command, command.delivery_id, rule="deliver.unanswered")
    return after


def _stop_delivery(
    state: State, command: c.EndAttempt | c.NoteAnswer | c.EndWait, delivery_id: int, *, rule: str, words: str = ""
) -> None:
    """Open the stop of a delivery that its receiver turned away or never answered."""
    delivery = state.sent[delivery_id].row
    result = state.results[delivery.result_id, delivery.version]
    strip = state.strips[result.strip_id].row
    owner = owner_before(state, strip.strip_id, delivery_id)
    stop_id = next_id(state.stops)
    state.stops[stop_id] = StopRow(
        stop_id=stop_id, group=StopGroup.REFUSED, state=StopState.OPEN, rule=rule, rules=(rule,), sentence=command.sentence,
        remedy=command.remedy, place=None, opened_at=command.at, repeats=0, last_repeat_at=None, source="",
        analyzer=strip.analyzer, number=strip.number, patient_id=strip.patient_id, purpose=strip.purpose, priority=strip.priority,
        releasable=False, capture_id=strip.capture_id, index=strip.index, strip_id=strip.strip_id,
        delivery_id=delivery_id, destination=delivery.destination, receiver_words=words,
        closed_at=None, closed_by="", closed_how="", closed_reason="",
    )  # fmt: skip
    state.note(command.at, SERVICE, "stop.opened", f"stop:{stop_id}", Change(after=StopGroup.REFUSED, reason=rule))
    keep_owner(state, stop_id, owner, at=command.at)
    replaced(state, delivery_id, move, at=command.at)


def hurry_waiting(state: State, command: c.HurryWaiting) -> int:
    """Make due what would wait longer than any wait, and wait anew for answers."""
    late = [
        sent
        for sent in state.sent.values()
        if (sent.row.destination, sent.row.state) == (command.destination, DeliveryState.RETRYING)
        and sent.row.due_at is not None
        and sent.row.due_at > command.beyond
    ]
    for sent in late:
        state.sent[sent.row.delivery_id] = replace(sent, row=replace(sent.row, due_at=command.at))
    return len(late) + _wait_anew(state, command)


def _wait_anew(state: State, command: c.HurryWaiting) -> int:
    until, count = command.answers_until, 0
    for sent in list(state.sent.values()):
        if until is None or (sent.row.destination, sent.row.state) != (command.destination, DeliveryState.COMMITTED):
            continue
        if command.was_set or (sent.row.due_at is not None and sent.row.due_at > until):
            state.sent[sent.row.delivery_id] = replace(sent, row=replace(sent.row, due_at=until))
            count += 1
    return count


def set_destination(state: State, command: c.SetDestination) -> None:
    """Note a destination's state; unchanged state and reason leave no event."""
    before = state.doors.get(command.name)
    if before is not None and (before.state, before.reason) == (command.state, command.reason):
        return
    state.doors[command.name] = Door(state=command.state, reason=command.reason, since=command.at)
    was, now = before.state if before else "", DestinationState(command.state)
    subject = f"destination:{command.name}"
    state.note(command.at, SERVICE, "destination.state", subject, Change(before=was, after=now, reason=command.reason))


# --- what a person decides


def close_stop(state: State, command: c.CloseStop) -> None:
    """End an open stop. Raises Overtaken if it is not open, RefusedAction where it would touch what a receiver may hold."""
    stop = state.stops.get(command.stop_id)
    if stop is None or stop.state is not StopState.OPEN:
        raise Overtaken(ENDED)
    match command.end:
        case StopEnd.ID_CORRECTED | StopEnd.TIME_CORRECTED | StopEnd.RELEASED | StopEnd.READ_AGAIN:
            _judge_again(state, command, stop)
        case StopEnd.SENT_AGAIN:
            _send_again(state, command, stop)
        case StopEnd.DISCARDED:
            _discard(state, command, stop)
    _close(state, stop, command)
    subject = f"stop:{stop.stop_id}"
    state.note(command.at, command.actor, "stop.closed", subject, Change(before="open", after=command.end, reason=command.reason))
    state.stops[stop.stop_id] = replace(state.stops[stop.stop_id], closed_with=command.second, specimen=command.specimen or "")
    state.note_terms(command, subject)


def _close(state: State, stop: StopRow, command: c.CloseStop) -> None:
    state.stops[stop.stop_id] = replace(
        stop, state=StopState.CLOSED, closed_at=command.at, closed_by=f"{command.actor.name} ({command.actor.verified})",
        closed_how=command.end, closed_reason=command.reason,
    )  # fmt: skip


def _judge_again(state: State, command: c.CloseStop, stop: StopRow) -> None:
    if stop.capture_id is None or stop.strip_id is None:
        raise RefusedAction(NOT_KEPT)
    if stop.delivery_id is not None:
        if was_corrected(state, state.sent[stop.delivery_id].row.result_id):
            raise RefusedAction(CORRECTED_ALREADY)
        _set_result_aside(state, command, stop.delivery_id, stop.stop_id)
    strip = state.strips[stop.strip_id].row
    if command.patient_id or command.accept_rules or command.analyzed_at:
        decisions = Decisions(
            patient_id=command.patient_id or None,
            corrected_by=command.actor if command.patient_id else None,
            accepted_by=dict.fromkeys(command.accept_rules, command.actor),
            analyzed_at=command.analyzed_at,
            timed_by=command.actor if command.analyzed_at else None,
        )
        state.decided.append(
            Decided(place=(stop.capture_id, strip.index, strip.record_digest), decisions=decisions, at=command.at)
        )
    is_whole = command.end is StopEnd.READ_AGAIN and strip.outcome == "unreadable"
    _put_to_judging(state, stop.capture_id, only_index=None if is_whole else strip.index, because=command.end)


def _set_result_aside(state: State, command: c.CloseStop, delivery_id: int, stop_id: int) -> None:
    """Supersede every delivery of the result; refuse if a receiver has it, or may have it."""
    stopped = state.sent[delivery_id].row
    siblings = [s.row for s in state.sent.values() if (s.row.result_id, s.row.version) == (stopped.result_id, stopped.version)]
    for row in siblings:
        is_clear = row.state in NEVER_THERE or row.state in _GONE
        if not is_clear or (row.state is not DeliveryState.REFUSED and _was_given_up_unanswered(state, row.delivery_id)):
            raise RefusedAction(is_there_words(row.destination))
    for row in siblings:
        if row.state not in _GONE:
            move(state, row.delivery_id, DeliveryEvent.SUPERSEDE, command.at, command.actor)
            for other in list(state.stops.values()):
                if other.delivery_id == row.delivery_id and other.state is StopState.OPEN:
                    _close(state, other, command)
                    if other.stop_id != stop_id:
                        change = Change(before="open", after=command.end, reason=command.reason)
                        state.note(command.at, command.actor, "stop.closed", f"stop:{other.stop_id}", change)


def _was_given_up_unanswered(state: State, delivery_id: int) -> bool:
    was_given_up = any(
        s.delivery_id == delivery_id and s.rule in ("deliver.expired", "deliver.unanswered") for s in state.stops.values()
    )
    left = any(t.delivery_id == delivery_id and t.row.code not in NEVER_LEFT for t in state.tried.values())
    return was_given_up and left


def _send_again(state: State, command: c.CloseStop, stop: StopRow) -> None:
    if stop.delivery_id is None:
        raise RefusedAction(NEVER_SENT)
    move(state, stop.delivery_id, DeliveryEvent.SEND_AGAIN, command.at, command.actor, reason=command.reason)
    sent = state.sent[stop.delivery_id]
    state.sent[stop.delivery_id] = replace(sent, row=replace(sent.row, due_at=None), first_attempt_at=None)


def _discard(state: State, command: c.CloseStop, stop: StopRow) -> None:
    if stop.delivery_id is not None:
        move(state, stop.delivery_id, DeliveryEvent.DISCARD, command.at, command.actor, reason=command.reason)
    elif stop.strip_id is not None:
        strip = state.strips[stop.strip_id]
        state.strips[stop.strip_id] = replace(strip, row=replace(strip.row, outcome="discarded"))
        subject = f"strip:{stop.strip_id}"
        state.note(command.at, command.actor, "strip.discarded", subject, Change(after="discarded", reason=command.reason))
        why = Why(reason=DISCARDED, actor=command.actor, at=command.at)
        tell_again(state, (strip.row.capture_id, strip.row.index), why)


# --- tables, plans, numbers


def keep_tables(state: State, command: c.KeepTables) -> None:
    """Keep a table set by its digest. Raises ValueError if the digest is another content's."""
    if hashlib.sha256(command.content).hexdigest() != command.digest:
        raise ValueError(f"the table set {command.digest} has other content than its digest says")
    state.table_sets[command.digest] = command.content


def keep_plan_check(state: State, command: c.KeepPlanCheck) -> None:
    """Keep what the oracles said of a plan."""
    state.plan_checks[command.digest] = command.fault


def reserve_numbers(state: State, command: c.ReserveNumbers) -> int:
    """Move the high-water mark of identifiers."""
    state.next_number += command.count
    return state.next_number - command.count


def _recover_deliveries(state: State, command: c.RecoverDeliveries) -> int:
    return recover_deliveries(state, command.destination, command.at, move)


def _correct_result(state: State, command: c.CorrectResult) -> c.RecordedCorrection:
    return correct_result(state, command, move)


def _replace_result(state: State, command: c.ReplaceResult) -> c.RecordedCorrection:
    stop = state.stops.get(command.end.stop_id)
    if stop is None or stop.state is not StopState.OPEN:  # before anything changes, since this twin takes nothing back
        raise Overtaken(ENDED)
    recorded = correct_result(state, command.withdraw, move)
    close_stop(state, command.end)
    assert stop.capture_id is not None
    assert stop.index is not None
    state.replacements[stop.capture_id, stop.index] = recorded.correction_id
    return recorded


_APPLY: Mapping[type, Callable[[State, Any], Any]] = {
    c.HoldLeases: hold_leases,
    c.LeaveLeases: leave_leases,
    c.RecoverDeliveries: _recover_deliveries,
    c.KeepCapture: keep_capture,
    c.KeepRun: keep_run,
    c.NoteRefusedFile: note_refused_file,
    c.RecordOutcome: record_outcome,
    c.EndIntake: end_intake,
    c.BearMessage: bear_message,
    c.WithholdDelivery: withhold_delivery,
    c.BeginAttempt: begin_attempt,
    c.EndAttempt: end_attempt,
    c.HurryWaiting: hurry_waiting,
    c.NoteAnswer: note_answer,
    c.EndWait: end_wait,
    c.SetDestination: set_destination,
    c.CloseStop: close_stop,
    c.SayOfGate: say_of_gate,
    c.EndWaiting: end_waiting,
    c.JudgeWaiting: judge_waiting,
    c.LetStand: let_stand,
    c.EnterLot: enter_lot,
    c.SignLot: sign_lot,
    c.CloseLot: close_lot,
    c.EnterOperator: enter_operator,
    c.EndOperator: end_operator,
    c.AnswerGap: answer_gap,
    c.SignDay: sign_day,
    c.NoteAction: note_action,
    c.SignMonth: sign_month,
    c.ConfirmRun: confirm_run,
    c.SayOfTelling: say_of_telling,
    c.OpenContainer: open_container,
    c.CloseContainer: close_container,
    c.AcceptLot: accept_lot,
    c.SignAcceptedLot: sign_accepted_lot,
    c.WithdrawLot: withdraw_lot,
    NoteDayLog: note_day_log,
    NoteLife: note_life,
    AssignStop: assign_stop,
    NoteStop: note_stop,
    RegisterId: register_id,
    SignRegistration: sign_registration,
    EndRegistration: end_registration,
    PauseDestination: pause_destination,
    ResumeDestination: resume_destination,
    LeaveNote: leave_note,
    CloseNote: close_note,
    KeepAccount: keep_account,
    BeginTry: begin_try,
    OpenSession: open_session,
    TouchSession: touch_session,
    MakeSure: make_sure,
    LockSession: lock_session,
    EndSession: end_session,
    NoteAccess: note_access,
    SealEnvelope: seal_envelope,
    OpenEnvelope: open_envelope,
    LookIntoEnvelope: look_into_envelope,
    EnterKey: enter_key,
    EndKey: end_key,
    KeepQuick: keep_quick,
    MarkBench: mark_bench,
    OpenBench: open_bench,
    EndBench: end_bench,
    AddToResult: add_to_result,
    AddToHeld: lambda state, command: add_to_held(state, command, close_stop),
    EndAwaiting: lambda state, command: end_awaiting(state, command, move),
    c.CorrectResult: _correct_result,
    c.ReplaceResult: _replace_result,
    c.RecordCall: record_call,
    c.KeepTables: keep_tables,
    c.KeepPlanCheck: keep_plan_check,
    c.ReserveNumbers: reserve_numbers,
    c.KeepSignals: keep_signals,
    c.NoteSaid: note_said,
    c.KeepTest: keep_test,
    KeepDigest: keep_digest,
    c.AcknowledgeSignal: acknowledge_signal,
    c.NoteOnSignal: note_on_signal,
    c.MuteSignals: mute_signals,
    c.NoteSights: note_sights,
    NoteVerified: note_verified,
    c.SealAudit: lambda _state, _command: None,  # what is in memory cannot be changed behind our back
}


def apply(state: State, command: c.Command) -> Any:
    """Do one command; give its result.

    Raises Overtaken (RecordOutcome, CloseStop), RefusedAction (CloseStop), LeaseLost where it carries a lease that is another's now,
    or ValueError.
    """
    lease: c.Lease | None = getattr(command, "lease", None)
    if lease is not None:
        check_lease(state, lease)
    return _APPLY[type(command)](state, command)


def recover(state: State, at: datetime) -> None:
    """After a crash of the only process: what was being sent, to whichever destination, is due again."""
    for destination in sorted({sent.row.destination for sent in state.sent.values()}):
        recover_deliveries(state, destination, at, move)
