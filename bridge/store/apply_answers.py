"""What a receiver's answer does to a delivery: the end of a try, an answer that came apart from it, an answer that never came."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from bridge.lifecycle.states import ANSWERED_LATE, STOPPED_DELIVERY, UNSETTLED_DELIVERY, DeliveryEvent, StopGroup, step
from bridge.model import SERVICE, Acknowledgement, Answer, DeliveryState
from bridge.store import commands as c
from bridge.store.chains import has_left, set_aside_for_successor
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.lanes import Moved, hold_lanes
from bridge.store.statements import Also, Change, NewStop, move_delivery, note, note_move, open_stop, owner_before, set_moved

_EVENTS: Mapping[Answer, DeliveryEvent] = {
    Answer.ACCEPTED: DeliveryEvent.ACCEPT,
    Answer.COMMITTED: DeliveryEvent.COMMIT,
    Answer.TRY_AGAIN: DeliveryEvent.TRY_AGAIN,
    Answer.REFUSED: DeliveryEvent.REFUSE,
    Answer.CLOSED: DeliveryEvent.CLOSE,
}
_UNDER_WAY = "SELECT a.ended_at, d.state, d.destination, d.lane FROM attempts a JOIN deliveries d ON d.id = a.delivery_id WHERE a.id = ? AND d.id = ?"
_UNCOUNTED = ", attempts = attempts - 1, first_attempt_at = CASE WHEN attempts = 1 THEN NULL ELSE first_attempt_at END"
COMMITTED = "CA"  # the code of a delivery whose last word from the receiver was that it keeps the message (HL7 table 0008)


def end_attempt(db: Db, command: c.EndAttempt) -> DeliveryState:
    """Note what came of a try; a refused or expired delivery opens a stop. A try that is over already stays as it is."""
    hold_lanes(db)
    row = db.execute(_UNDER_WAY, (command.attempt, command.delivery_id)).fetchone()
    if row is None:
        raise ValueError(f"delivery {command.delivery_id} has no attempt {command.attempt}")
    ended_at, before, destination, lane = row
    if ended_at is not None:
        return DeliveryState(before)
    ack = command.acknowledgement
    event = DeliveryEvent.EXPIRE if command.expire else _EVENTS[ack.answer]
    state = step(DeliveryState(before), event)
    moved = Moved(delivery_id=command.delivery_id, destination=destination, lane=lane, before=before, after=state)
    # the door was closed: the receiver has nothing of it, so the try is not counted
    also = _answered(state, ack, at=command.at, due_at=command.due_at, is_counted=ack.answer is not Answer.CLOSED)
    set_moved(db, moved, also)
    db.execute(
        "UPDATE attempts SET ended_at = ?, code = ?, words = ? WHERE id = ?",
        (when(command.at), ack.code, ack.text, command.attempt),
    )
    note_move(db, moved, event, command.at, SERVICE, ack.code)
    if state is DeliveryState.RETRYING and not has_left(db, command.delivery_id):
        set_aside_for_successor(db, command.delivery_id, at=command.at)
    if state in STOPPED_DELIVERY:
        refused = state is DeliveryState.REFUSED
        _stop(db, command.delivery_id, command, rule="deliver.refused" if refused else "deliver.expired", words=ack.text)
    return state


def note_answer(db: Db, command: c.NoteAnswer) -> c.NotedAnswer | None:
    """Note an answer that came apart from its try, unless that is under way; None if no such message was sent to that destination."""
    hold_lanes(db)
    row = db.execute(
        "SELECT id, state, last_code FROM deliveries WHERE control_id = ? AND destination = ? AND attempts > 0",
        (command.control_id, command.destination),
    ).fetchone()
    if row is None:
        return None
    delivery_id, before, ack = int(row[0]), DeliveryState(row[1]), command.acknowledgement
    if before is DeliveryState.SENDING:  # what the try's end says would be noted after this answer, and outdo it
        return c.NotedAnswer(delivery_id=delivery_id, state=before, counts=False)
    event = _late_event(before, row[2], ack.answer)
    (attempt_id, code, words) = db.execute(
        "SELECT id, code, words FROM attempts WHERE delivery_id = ? ORDER BY id DESC LIMIT 1", (delivery_id,)
    ).fetchone()
    said = (f"{code}, later {ack.code}", ack.text or words, attempt_id)
    db.execute("UPDATE attempts SET code = ?, words = ? WHERE id = ?", said)
    if event is None:
        change = Change(before=before, after=before, reason=ack.code)
        note(db, command.at, SERVICE, "delivery.answered_late", f"delivery:{delivery_id}", change)
        return c.NotedAnswer(delivery_id=delivery_id, state=before, counts=False)
    _close_unanswered(db, delivery_id, at=command.at)
    state = _move(db, delivery_id, event, ack, at=command.at, due_at=command.due_at)
    if state in STOPPED_DELIVERY:
        _stop(db, delivery_id, command, rule="deliver.refused", words=ack.text)
    return c.NotedAnswer(delivery_id=delivery_id, state=state, counts=True)


def _late_event(before: DeliveryState, last_code: str, answer: Answer) -> DeliveryEvent | None:
    """Give what a late answer is for a delivery that stands at ``before``; None if it changes nothing."""
    if before is DeliveryState.ACCEPTED:  # only a yes that was silence can be taken back; an AA is the receiver's own word
        return DeliveryEvent.TAKE_BACK if last_code == COMMITTED and answer is Answer.REFUSED else None
    settles = answer in {Answer.ACCEPTED, Answer.REFUSED} or (answer is Answer.TRY_AGAIN and before is DeliveryState.COMMITTED)
    return _EVENTS[answer] if before in UNSETTLED_DELIVERY and settles else None


def end_wait(db: Db, command: c.EndWait) -> DeliveryState:
    """End the wait for the answer to a committed delivery: silence was a yes, or a stop opens."""
    hold_lanes(db)
    (before,) = db.execute("SELECT state FROM deliveries WHERE id = ?", (command.delivery_id,)).fetchone()
    if before != DeliveryState.COMMITTED:
        return DeliveryState(before)
    event = DeliveryEvent.LAPSE if command.is_yes else DeliveryEvent.EXPIRE
    silence = Acknowledgement(answer=Answer.ACCEPTED, code=COMMITTED)
    state = _move(db, command.delivery_id, event, silence, at=command.at, due_at=None)
    if state in STOPPED_DELIVERY:
        _stop(db, command.delivery_id, command, rule="deliver.unanswered")
    return state


def _answered(
    state: DeliveryState, ack: Acknowledgement, *, at: datetime, due_at: datetime | None, is_counted: bool = True
) -> Also:
    """Give what is kept with a delivery: what was last said of it, when it falls due again, and when it was accepted, as far as it was."""
    waits = state in {DeliveryState.RETRYING, DeliveryState.COMMITTED}
    accepted = when(at) if state is DeliveryState.ACCEPTED else None
    sets = "due_at = ?, last_code = ?, accepted_at = ?"
    return Also(sets=sets if is_counted else sets + _UNCOUNTED, values=(when(due_at) if waits else None, ack.code, accepted))


def _move(
    db: Db, delivery_id: int, event: DeliveryEvent, ack: Acknowledgement, *, at: datetime, due_at: datetime | None
) -> DeliveryState:
    """Move a delivery by an answer, and keep the answer with it; give its new state."""
    state = move_delivery(db, delivery_id, event, at, SERVICE, reason=ack.code)
    also = _answered(state, ack, at=at, due_at=due_at)
    db.execute(f"UPDATE deliveries SET {also.sets} WHERE id = ?", (*also.values, delivery_id))
    return state


def _close_unanswered(db: Db, delivery_id: int, *, at: datetime) -> None:
    """Close the open stop of a delivery that waited for the answer which has come now."""
    for (stop_id,) in db.execute("SELECT id FROM stops WHERE delivery_id = ? AND state = 'open'", (delivery_id,)).fetchall():
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = 'padpost (service)', closed_how = ? WHERE id = ?",
            (when(at), ANSWERED_LATE, stop_id),
        )
        note(db, at, SERVICE, "stop.closed", f"stop:{stop_id}", Change(before="open", after=ANSWERED_LATE))


def _stop(db: Db, delivery_id: int, command: c.EndAttempt | c.NoteAnswer | c.EndWait, *, rule: str, words: str = "") -> None:
    """Open the stop of a delivery that its receiver turned away or never answered."""
    strip_id, capture_id, analyzer = db.execute(
        "SELECT r.strip_id, s.capture_id, s.analyzer FROM deliveries d JOIN results r ON r.result_id = d.result_id AND r.version = d.version"
        " JOIN strips s ON s.id = r.strip_id WHERE d.id = ?",
        (delivery_id,),
    ).fetchone()
    stop = NewStop(
        group=StopGroup.REFUSED,
        rules=(rule,),
        sentence=command.sentence,
        remedy=command.remedy,
        analyzer=analyzer,
        capture_id=capture_id,
        strip_id=strip_id,
        delivery_id=delivery_id,
        receiver_words=words,
        owner=owner_before(db, strip_id, delivery_id),
    )
    open_stop(db, stop, at=command.at)
    set_aside_for_successor(db, delivery_id, at=command.at)
