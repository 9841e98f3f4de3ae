"""CloseStop: what a person decided, done in one transaction with the state it met."""

from __future__ import annotations

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import DeliveryEvent, StopEnd
from bridge.store.apply_stop import ENDED
from bridge.store.apply_telling import DISCARDED, Why, tell_again
from bridge.store.chains import NEVER_THERE, why_not_anew
from bridge.store.codec import json_text, when
from bridge.store.commands import CloseStop
from bridge.store.database import Db
from bridge.store.lanes import hold_lanes
from bridge.store.statements import Change, move_delivery, note, note_terms

NOT_KEPT = "This file was not kept, so it cannot be read again. Put it into the folder again once it is mended."
NEVER_SENT = "Nothing of this was ever sent, so it cannot be sent again."
_STANDING = "SELECT state, capture_id, strip_id, delivery_id FROM stops WHERE id = ?"


def why_not(db: Db, command: CloseStop) -> str:
    """Say why ``close_stop`` would refuse a command as things stand; "" where it would not. It changes nothing."""
    row = db.execute(_STANDING, (command.stop_id,)).fetchone()
    if row is None or row[0] != "open":
        return ENDED
    return _why_refused(db, command.end, *row[1:])


def _why_refused(db: Db, end: StopEnd, capture_id: int | None, strip_id: int | None, delivery_id: int | None) -> str:
    if end is StopEnd.DISCARDED:
        return ""
    if end is StopEnd.SENT_AGAIN:
        return "" if delivery_id is not None else NEVER_SENT
    if capture_id is None or strip_id is None:
        return NOT_KEPT
    return why_not_anew(db, delivery_id) if delivery_id is not None else ""


def close_stop(db: Db, command: CloseStop) -> None:
    """End an open stop. Raises Overtaken if it is not open, RefusedAction where it would touch what a receiver may hold."""
    hold_lanes(db)  # judging and sending do too: neither goes on with what a person ends at this moment
    row = db.execute(_STANDING + db.for_update, (command.stop_id,)).fetchone()
    if row is None or row[0] != "open":
        raise Overtaken(ENDED)
    _, capture_id, strip_id, delivery_id = row
    if why := _why_refused(db, command.end, capture_id, strip_id, delivery_id):
        raise RefusedAction(why)
    match command.end:
        case StopEnd.ID_CORRECTED | StopEnd.TIME_CORRECTED | StopEnd.RELEASED | StopEnd.READ_AGAIN:
            _judge_again(db, command, capture_id, strip_id, delivery_id)
        case StopEnd.SENT_AGAIN:
            _send_again(db, command, delivery_id)
        case StopEnd.DISCARDED:
            _discard(db, command, strip_id, delivery_id)
    db.execute(
        "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ?, closed_reason = ?, closed_with = ?, specimen = ? WHERE id = ?",
        (
            when(command.at), f"{command.actor.name} ({command.actor.verified})", command.end, command.reason, command.second,
            command.specimen or "", command.stop_id,
        ),
    )  # fmt: skip
    change = Change(before="open", after=command.end, reason=command.reason)
    note(db, command.at, command.actor, "stop.closed", f"stop:{command.stop_id}", change)
    note_terms(db, command, f"stop:{command.stop_id}")


def _judge_again(db: Db, command: CloseStop, capture_id: int, strip_id: int, delivery_id: int | None) -> None:
    if delivery_id is not None:
        _set_result_aside(db, command, delivery_id)
    index, outcome, digest = db.execute("SELECT idx, outcome, record_digest FROM strips WHERE id = ?", (strip_id,)).fetchone()
    if command.patient_id or command.accept_rules or command.analyzed_at:
        db.execute(
            "INSERT INTO decisions (capture_id, idx, patient_id, rules, actor, verified, at, record_digest, analyzed_at) VALUES (?,?,?,?,?,?,?,?,?)",
            (
                capture_id, index, command.patient_id, json_text(sorted(command.accept_rules)), command.actor.name, command.actor.verified,
                when(command.at), digest, when(command.analyzed_at),
            ),
        )  # fmt: skip
    whole = command.end is StopEnd.READ_AGAIN and outcome == "unreadable"
    (analyzer,) = db.execute("SELECT analyzer FROM captures WHERE id = ?", (capture_id,)).fetchone()
    db.execute(
        "INSERT INTO intake (capture_id, analyzer, only_index, next_index, because) VALUES (?,?,?,?,?)",
        (capture_id, analyzer, None if whole else index, 0 if whole else index, command.end),
    )
    db.tell(f"analyzer:{analyzer}")


def _set_result_aside(db: Db, command: CloseStop, delivery_id: int) -> None:
    """Supersede every delivery of the result, which no receiver has."""
    rows = db.execute(
        "SELECT o.id, o.state FROM deliveries d JOIN deliveries o ON o.result_id = d.result_id AND o.version = d.version"
        f" WHERE d.id = ? ORDER BY o.id{db.for_update}",
        (delivery_id,),
    ).fetchall()
    for other_id, state in rows:
        if state in NEVER_THERE:
            move_delivery(db, other_id, DeliveryEvent.SUPERSEDE, command.at, command.actor)
            _close_beside(db, command, other_id)


def _close_beside(db: Db, command: CloseStop, delivery_id: int) -> None:
    """Close what stands open of another message of the same result, with the act that ends them all."""
    found = "SELECT id FROM stops WHERE delivery_id = ? AND state = 'open' AND id <> ?"
    for (stop_id,) in db.execute(found, (delivery_id, command.stop_id)).fetchall():
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ?, closed_reason = ? WHERE id = ?",
            (
                when(command.at), f"{command.actor.name} ({command.actor.verified})", command.end, command.reason, stop_id,
            ),
        )  # fmt: skip
        change = Change(before="open", after=command.end, reason=command.reason)
        note(db, command.at, command.actor, "stop.closed", f"stop:{stop_id}", change)


def _send_again(db: Db, command: CloseStop, delivery_id: int) -> None:
    move_delivery(db, delivery_id, DeliveryEvent.SEND_AGAIN, command.at, command.actor, reason=command.reason)
    db.execute("UPDATE deliveries SET due_at = NULL, first_attempt_at = NULL WHERE id = ?", (delivery_id,))


def _discard(db: Db, command: CloseStop, strip_id: int | None, delivery_id: int | None) -> None:
    if delivery_id is not None:
        move_delivery(db, delivery_id, DeliveryEvent.DISCARD, command.at, command.actor, reason=command.reason)
    elif strip_id is not None:
        db.execute("UPDATE strips SET outcome = 'discarded' WHERE id = ?", (strip_id,))
        change = Change(after="discarded", reason=command.reason)
        note(db, command.at, command.actor, "strip.discarded", f"strip:{strip_id}", change)
        seat = db.execute("SELECT capture_id, idx FROM strips WHERE id = ?", (strip_id,)).fetchone()
        tell_again(db, (seat[0], seat[1]), Why(reason=DISCARDED, actor=command.actor, at=command.at))
