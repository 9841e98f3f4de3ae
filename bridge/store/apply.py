"""One function for each command: plain SQL inside the writer's savepoint, and the events it leaves."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from typing import Any

from bridge.errors import Overtaken, StoreFailed
from bridge.lifecycle.states import DeliveryEvent, DestinationState, StopGroup, step
from bridge.model import SERVICE, DeliveryState, Way
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
from bridge.store.apply_accounts import (
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
from bridge.store.apply_additions import add_to_held, add_to_result, end_awaiting
from bridge.store.apply_answers import end_attempt, end_wait, note_answer
from bridge.store.apply_audit import note_sights, note_verified, seal_audit
from bridge.store.apply_container import accept_lot, close_container, open_container, sign_accepted_lot, withdraw_lot
from bridge.store.apply_correction import correct_result, record_call
from bridge.store.apply_day_log import note_day_log
from bridge.store.apply_desk import close_stop
from bridge.store.apply_digest import keep_digest
from bridge.store.apply_envelopes import look_into_envelope, open_envelope, seal_envelope
from bridge.store.apply_gate import end_waiting, judge_waiting, say_of_gate
from bridge.store.apply_lease import check_lease, hold_leases, leave_leases
from bridge.store.apply_life import note_life
from bridge.store.apply_look_back import let_stand
from bridge.store.apply_lot import close_lot, enter_lot, sign_lot
from bridge.store.apply_month import note_action, sign_month
from bridge.store.apply_numbers import answer_gap, sign_day
from bridge.store.apply_operator import end_operator, enter_operator
from bridge.store.apply_outcome import record_outcome, set_unreadable_aside
from bridge.store.apply_purge import purge_captures, purge_events, purge_files, trust_clock
from bridge.store.apply_quick import end_bench, keep_quick, mark_bench, open_bench
from bridge.store.apply_registered import end_registration, register_id, sign_registration
from bridge.store.apply_replacement import replace_result
from bridge.store.apply_shift import confirm_run
from bridge.store.apply_signals import acknowledge_signal, keep_signals, keep_test, mute_signals, note_on_signal, note_said
from bridge.store.apply_stop import assign_stop, note_stop
from bridge.store.apply_telling import say_of_telling
from bridge.store.apply_today import close_note, leave_note, pause_destination, resume_destination
from bridge.store.audit_commands import NoteVerified
from bridge.store.codec import microseconds, packed, when
from bridge.store.database import Db
from bridge.store.digest_commands import KeepDigest
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from bridge.store.interned import OwnKind
from bridge.store.lanes import MAY_GO, Moved, hold_lanes
from bridge.store.life_commands import EndRegistration, NoteDayLog, NoteLife, RegisterId, SignRegistration
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from bridge.store.reads_shown import SENT_TO
from bridge.store.statements import (
    KEEP_MESSAGE,
    NEW_ATTEMPT,
    Also,
    Change,
    NewStop,
    move_delivery,
    note,
    note_move,
    note_own,
    open_stop,
    set_moved,
)
from bridge.store.stop_commands import AssignStop, NoteStop
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination

_MAY_BEGIN = f"SELECT state, destination, lane FROM deliveries WHERE id = ? AND {MAY_GO}"
EPOCH_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # ours: without I, O, 0, 1, which people misread
# a known origin is a sender's repetition; of a file it is our own second look after a crash
SENT_AGAIN = frozenset({Way.MLLP, Way.HTTP})
EPOCH_LENGTH = 5  # ours: 33 million epochs, and room for a number of 14 digits in MSH-10's 20 characters


def keep_capture(db: Db, command: c.KeepCapture) -> int:
    """Keep a capture and put it to judging; a known origin gives its id again."""
    if command.origin:
        known = db.execute("SELECT id FROM captures WHERE origin = ?", (command.origin,)).fetchone()
        if known:
            if command.capture.way in SENT_AGAIN:
                came_again(db, known[0], command.capture.arrived_at)
            return int(known[0])
    capture = command.capture
    new = db.insert(
        "INSERT INTO captures (analyzer, profile, source, way, name, arrived_at, torn, live, digest, origin, payload) VALUES (?,?,?,?,?,?,?,?,?,?,?)",
        (
            command.analyzer, command.profile, capture.source, str(capture.way), capture.name, when(capture.arrived_at), int(capture.torn),
            int(capture.live), capture.digest, command.origin or None, packed(capture.payload),
        ),
    )  # fmt: skip
    capture_id = int(new)
    db.execute(
        "INSERT INTO intake (capture_id, analyzer, only_index, next_index, because) VALUES (?,?,NULL,0,'')",
        (capture_id, command.analyzer),
    )
    db.tell(f"analyzer:{command.analyzer}")
    note_own(db, microseconds(capture.arrived_at), OwnKind("capture.kept", "capture", after=str(capture.way)), capture_id)
    if command.entered_by is not None:
        note(db, capture.arrived_at, command.entered_by, "capture.entered", f"capture:{capture_id}", Change(after=capture.source))
    return capture_id


def keep_run(db: Db, command: c.KeepRun) -> tuple[int, ...]:
    """Keep captures in their order."""
    return tuple(
        keep_capture(db, c.KeepCapture(capture=capture, analyzer=command.analyzer, profile=command.profile))
        for capture in command.captures
    )


def came_again(db: Db, capture_id: int, at: datetime) -> None:
    """Count that a sender sent a kept message once more: in its history, and on each stop that still stands for it."""
    note(db, at, SERVICE, "capture.came_again", f"capture:{capture_id}", Change())
    db.execute(
        "UPDATE stops SET repeats = repeats + 1, last_repeat_at = ? WHERE state = 'open' AND strip_id IN"
        " (SELECT id FROM strips WHERE capture_id = ? AND is_newest = 1)",
        (when(at), capture_id),
    )


def note_refused_file(db: Db, command: c.NoteRefusedFile) -> int:
    """Open a stop for a file that was not captured; the same file again is counted there."""
    known = db.execute(
        "SELECT s.id FROM stops s JOIN refused_files f ON f.stop_id = s.id WHERE s.state = 'open' AND f.name = ? AND f.digest = ?",
        (command.name, command.digest),
    ).fetchone()
    if known:
        db.execute("UPDATE stops SET repeats = repeats + 1, last_repeat_at = ? WHERE id = ?", (when(command.at), known[0]))
        return int(known[0])
    stop_id = open_stop(
        db,
        NewStop(
            group=StopGroup.REJECTED,
            rules=("receive.refused",),
            sentence=command.sentence,
            remedy=command.remedy,
            source=command.source,
        ),
        at=command.at,
    )
    db.execute(
        "INSERT INTO refused_files (stop_id, name, digest, size, beginning) VALUES (?,?,?,?,?)",
        (stop_id, command.name, command.digest, command.size, command.beginning),
    )
    return stop_id


def end_intake(db: Db, command: c.EndIntake) -> None:
    """End a piece of judging work. A whole capture that was read again and leaves nothing to judge has no unreadable stretch any more."""
    row = db.execute(
        "SELECT capture_id, only_index, because, next_index FROM intake WHERE id = ? AND ended_at IS NULL", (command.intake_id,)
    ).fetchone()
    if row is None:
        return
    capture_id, only_index, because, next_index = row
    if only_index is None and because:  # what this very piece of work found unreadable again lies before ``next_index``
        set_unreadable_aside(db, capture_id, behind=next_index - 1, at=command.at)
    db.execute("UPDATE intake SET ended_at = ? WHERE id = ?", (when(command.at), command.intake_id))


def bear_message(db: Db, command: c.BearMessage) -> None:
    """Give an unborn delivery its message. Raises Overtaken where a person has ended it meanwhile."""
    message = command.message
    _require_not_ended(db, command.delivery_id)
    move_delivery(db, command.delivery_id, DeliveryEvent.BEAR, command.at, SERVICE)
    db.execute(
        "UPDATE deliveries SET format = ?, control_id = ? WHERE id = ?", (message.format, message.control_id, command.delivery_id)
    )
    db.append(KEEP_MESSAGE, (command.delivery_id, packed(message.payload)))


def withhold_delivery(db: Db, command: c.WithholdDelivery) -> None:
    """End an unborn delivery that its destination takes no more. Raises Overtaken where a person has ended it meanwhile."""
    _require_not_ended(db, command.delivery_id)
    move_delivery(db, command.delivery_id, DeliveryEvent.WITHHOLD, command.at, SERVICE)


def _require_not_ended(db: Db, delivery_id: int) -> None:
    hold_lanes(db)
    (state,) = db.execute("SELECT state FROM deliveries WHERE id = ?", (delivery_id,)).fetchone()
    if state in {DeliveryState.SUPERSEDED, DeliveryState.DISCARDED}:
        raise Overtaken("Somebody has ended this delivery already. Look at what is next.")


def begin_attempt(db: Db, command: c.BeginAttempt) -> int | None:
    """Note that a try begins, if it may: queued or retrying, head of its lane, and ``after`` over."""
    hold_lanes(db)
    row = db.execute(_MAY_BEGIN, (command.delivery_id,)).fetchone()
    if row is None:
        return None
    before, destination, lane = row
    after, at = step(DeliveryState(before), DeliveryEvent.BEGIN), when(command.at)
    moved = Moved(delivery_id=command.delivery_id, destination=destination, lane=lane, before=before, after=after)
    sets = "attempts = attempts + 1, due_at = NULL, first_attempt_at = coalesce(first_attempt_at, ?)"
    set_moved(db, moved, Also(sets=sets, values=(at,)))
    note_move(db, moved, DeliveryEvent.BEGIN, command.at, SERVICE, "")
    return int(db.insert(NEW_ATTEMPT, (command.delivery_id, at)))


def recover_deliveries(db: Db, command: c.RecoverDeliveries) -> int:
    """Make due again what was being sent, under the same identity and bytes; its try's outcome is unknown."""
    hold_lanes(db)
    at = when(command.at)
    sending = "SELECT id FROM deliveries WHERE destination = ? AND state = 'sending' ORDER BY id"
    numbers = [row[0] for row in db.execute(sending, (command.destination,)).fetchall()]
    for number in numbers:
        move_delivery(db, number, DeliveryEvent.RECOVER, command.at, SERVICE)
        db.execute("UPDATE deliveries SET due_at = ? WHERE id = ?", (at, number))
        db.execute("UPDATE attempts SET ended_at = ?, code = 'unknown' WHERE delivery_id = ? AND ended_at IS NULL", (at, number))
    return len(numbers)


def hurry_waiting(db: Db, command: c.HurryWaiting) -> int:
    """Make due what would wait longer than any wait, and wait anew for answers."""
    hold_lanes(db)
    hurried = "UPDATE deliveries SET due_at = ? WHERE destination = ? AND state = 'retrying' AND due_at > ?"
    count = db.execute(hurried, (when(command.at), command.destination, when(command.beyond))).rowcount
    if command.answers_until is not None:
        until = when(command.answers_until)
        anew = "UPDATE deliveries SET due_at = ? WHERE destination = ? AND state = 'committed' AND (? OR due_at > ?)"
        count += db.execute(anew, (until, command.destination, command.was_set, until)).rowcount
    return count


def set_destination(db: Db, command: c.SetDestination) -> None:
    """Note a destination's state; unchanged state and reason leave no event."""
    row = db.execute("SELECT state, reason FROM destinations WHERE name = ?", (command.name,)).fetchone()
    if row == (command.state, command.reason):
        return
    db.execute(
        "INSERT INTO destinations (name, state, reason, since) VALUES (?,?,?,?)"
        " ON CONFLICT (name) DO UPDATE SET state = excluded.state, reason = excluded.reason, since = excluded.since",
        (command.name, command.state, command.reason, when(command.at)),
    )
    change = Change(before=row[0] if row else "", after=DestinationState(command.state), reason=command.reason)
    note(db, command.at, SERVICE, "destination.state", f"destination:{command.name}", change)


def keep_tables(db: Db, command: c.KeepTables) -> None:
    """Keep a table set by its digest. Raises ValueError if the digest is another content's."""
    if hashlib.sha256(command.content).hexdigest() != command.digest:
        raise ValueError(f"the table set {command.digest} has other content than its digest says")
    db.execute(  # an early build kept the digest alone in place of the content: the same digest brings it now
        "INSERT INTO table_sets (digest, content, at) VALUES (?,?,?) ON CONFLICT (digest) DO UPDATE SET content = excluded.content",
        (command.digest, packed(command.content), when(command.at)),
    )


def keep_plan_check(db: Db, command: c.KeepPlanCheck) -> None:
    """Keep what the oracles said of a plan."""
    db.execute(
        "INSERT INTO plan_checks (digest, fault, at) VALUES (?,?,?) ON CONFLICT (digest) DO UPDATE SET fault = excluded.fault, at = excluded.at",
        (command.digest, command.fault, when(command.at)),
    )


def reserve_numbers(db: Db, command: c.ReserveNumbers) -> int:
    """Move the high-water mark of identifiers. Raises StoreFailed where the epoch is not the one that they are for."""
    if command.epoch:
        (epoch,) = db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()
        if epoch != command.epoch:
            raise StoreFailed(
                "The store was restored while this Padpost had it open. Nothing new is made under the old epoch; start it again."
            )
    moved = "UPDATE meta SET value = CAST(CAST(value AS BIGINT) + ? AS TEXT) WHERE name = 'next_number' RETURNING value"
    return int(db.execute(moved, (command.count,)).fetchone()[0]) - command.count


_APPLY: Mapping[type, Callable[[Db, Any], Any]] = {
    c.HoldLeases: hold_leases,
    c.LeaveLeases: leave_leases,
    c.KeepCapture: keep_capture,
    c.KeepRun: keep_run,
    c.NoteRefusedFile: note_refused_file,
    c.RecordOutcome: record_outcome,
    c.EndIntake: end_intake,
    c.BearMessage: bear_message,
    c.WithholdDelivery: withhold_delivery,
    c.BeginAttempt: begin_attempt,
    c.RecoverDeliveries: recover_deliveries,
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
    AddToHeld: add_to_held,
    EndAwaiting: end_awaiting,
    c.CorrectResult: correct_result,
    c.ReplaceResult: replace_result,
    c.RecordCall: record_call,
    c.KeepTables: keep_tables,
    c.KeepPlanCheck: keep_plan_check,
    c.ReserveNumbers: reserve_numbers,
    c.PurgeCaptures: purge_captures,
    c.PurgeFiles: purge_files,
    c.PurgeEvents: purge_events,
    c.SealAudit: seal_audit,
    NoteVerified: note_verified,
    c.NoteSights: note_sights,
    c.TrustClock: trust_clock,
    c.KeepSignals: keep_signals,
    c.NoteSaid: note_said,
    c.KeepTest: keep_test,
    KeepDigest: keep_digest,
    c.AcknowledgeSignal: acknowledge_signal,
    c.NoteOnSignal: note_on_signal,
    c.MuteSignals: mute_signals,
}


# What comes with every strip, and reads nothing that is appended (Db.append): all others see what was appended before them
_OF_STRIPS = frozenset({c.KeepCapture, c.KeepRun, c.RecordOutcome, c.EndIntake, c.BearMessage, c.BeginAttempt, c.EndAttempt})


def apply(db: Db, command: c.Command) -> Any:
    """Do one command; give its result.

    Raises Overtaken (RecordOutcome, BearMessage, WithholdDelivery, CloseStop), RefusedAction (CloseStop), LeaseLost where it carries a lease that is
    another's now, or what the database raises.
    """
    lease: c.Lease | None = getattr(command, "lease", None)
    if lease is not None:
        check_lease(db, lease)
    kind = type(command)
    if kind not in _OF_STRIPS:
        db.settle()
    return _APPLY[kind](db, command)


def new_epoch(known: Collection[str] = ()) -> str:
    """Give an epoch at random that is none of ``known``."""
    while True:
        epoch = "".join(secrets.choice(EPOCH_LETTERS) for _ in range(EPOCH_LENGTH))
        if epoch not in known:
            return epoch


def begin_store(db: Db) -> str:
    """Give a new store its epoch and the first identifier; give the epoch that stands there."""
    for name, value in (("epoch", new_epoch()), ("next_number", "1")):
        db.execute("INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT DO NOTHING", (name, value))
    return str(db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])


def recover(db: Db, at: datetime) -> None:
    """After a crash of the only process: what was being sent, to whichever destination, is due again."""
    for (destination,) in db.execute(SENT_TO).fetchall():
        recover_deliveries(db, c.RecoverDeliveries(destination=destination, at=at))
