"""Versions of one result at one destination: whether a receiver has an earlier one, and what becomes of one that a later one replaces."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bridge.lifecycle.answers import Silence
from bridge.lifecycle.states import REPLACED, DeliveryEvent
from bridge.model import SERVICE, Actor, CodedResult, DeliveryState, ResultStatus
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.statements import Change, move_delivery, note

CORRECTED_ALREADY = "A person has corrected or withdrawn this result. Go on from the result's page, or send this message again."
NEVER_LEFT = (
    Silence.NO_CONNECTION,
    Silence.NAME,
    Silence.TLS,
    Silence.SETUP,
    Silence.UNFRAMED,
    Silence.KEPT_BACK,
)  # a try that sent nothing
# What was tried and is no more under way may be there, unless nothing left, or the receiver's last word was no
_HAS_LEFT = f"EXISTS (SELECT 1 FROM attempts a WHERE a.delivery_id = d.id AND a.code NOT IN ({', '.join('?' * len(NEVER_LEFT))}))"
_LEFT = f"{_HAS_LEFT} AND coalesce((SELECT t.rule FROM stops t WHERE t.delivery_id = d.id ORDER BY t.id DESC LIMIT 1), '') <> 'deliver.refused'"
_MAY_BE_THERE = (
    "SELECT 1 FROM deliveries d WHERE d.result_id = ? AND d.destination = ? AND (d.state IN ('accepted', 'sending', 'retrying', 'committed')"
    f" OR (d.state IN ('expired', 'unsure', 'superseded', 'discarded') AND {_LEFT})) LIMIT 1"
)

NEVER_THERE = (DeliveryState.UNBORN, DeliveryState.QUEUED, DeliveryState.REFUSED, DeliveryState.EXPIRED)  # unless a try left us
_OVER = (DeliveryState.SUPERSEDED, DeliveryState.DISCARDED)
_OF_VERSION = (
    "SELECT o.id, o.destination, o.state FROM deliveries d JOIN deliveries o ON o.result_id = d.result_id AND o.version = d.version"
    " WHERE d.id = ? ORDER BY o.id"
)
_GIVEN_UP_UNANSWERED = (
    "SELECT 1 FROM stops t JOIN attempts a ON a.delivery_id = t.delivery_id"
    f" WHERE t.delivery_id = ? AND t.rule IN ('deliver.expired', 'deliver.unanswered') AND a.code NOT IN ({', '.join('?' * len(NEVER_LEFT))})"
)


def may_be_there(db: Db, result_id: str, destination: str) -> bool:
    """Say whether a receiver has some version of a result, or may have it: an answer that never came proves nothing."""
    return db.execute(_MAY_BE_THERE, (result_id, destination, *NEVER_LEFT)).fetchone() is not None


def has_left(db: Db, delivery_id: int) -> bool:
    """Say whether any try of a delivery sent something, or may have; one that is under way may."""
    return (
        db.execute(f"SELECT 1 FROM deliveries d WHERE d.id = ? AND {_HAS_LEFT}", (delivery_id, *NEVER_LEFT)).fetchone()
        is not None
    )


def as_sent(db: Db, result: CodedResult, destination: str) -> CodedResult:
    """Give a result with the status that it has for one receiver: a correction only where an earlier version may be there, else final."""
    if result.version == 1 or result.status is not ResultStatus.FINAL or not may_be_there(db, result.result_id, destination):
        return result
    return replace(result, status=ResultStatus.CORRECTED)


def is_withdrawal(db: Db, result_id: str, version: int) -> bool:
    """Say whether a version takes its result back."""
    found = "SELECT 1 FROM corrections WHERE result_id = ? AND withdrawn_version = ?"
    return db.execute(found, (result_id, version)).fetchone() is not None


def was_corrected(db: Db, delivery_id: int) -> bool:
    """Say whether the result of a delivery was ever corrected, withdrawn, or made by that: reading its strip again would undo it."""
    row = db.execute(
        "SELECT 1 FROM deliveries d JOIN corrections c ON c.result_id = d.result_id OR c.new_result_id = d.result_id WHERE d.id = ?",
        (delivery_id,),
    ).fetchone()
    return row is not None


def why_not_anew(db: Db, delivery_id: int) -> str:
    """Say why the strip of a delivery may not be judged anew as if its result had never gone; "" where it may."""
    if was_corrected(db, delivery_id):
        return CORRECTED_ALREADY
    for other_id, destination, state in db.execute(_OF_VERSION, (delivery_id,)).fetchall():
        is_clear = state in NEVER_THERE or state in _OVER
        if not is_clear or (state != DeliveryState.REFUSED and _was_given_up_unanswered(db, other_id)):
            return is_there_words(destination)
    return ""


def is_there_words(destination: str) -> str:
    """Say that a receiver has a result, or may have it, and what a person does then."""
    return (
        f"{destination} has this result as it was, or may have it. Correct or withdraw it from the result's own page; "
        "or discard this row, or send it again."
    )


def _was_given_up_unanswered(db: Db, delivery_id: int) -> bool:
    """Say whether a delivery was given up after a try that left us: the receiver may have filed it without our hearing so."""
    return db.execute(_GIVEN_UP_UNANSWERED, (delivery_id, *NEVER_LEFT)).fetchone() is not None


def set_aside_for_successor(db: Db, delivery_id: int, *, at: datetime) -> None:
    """Set aside a delivery that stopped, or whose try sent nothing, while a later version of its result waits for it: the later one goes, and nobody sends the old one again.

    A withdrawal is different: what waits for it goes only once it was acknowledged, or a person has decided (HZ-I03). Where nothing
    of the result is at the receiver, a withdrawal that waits has nothing to withdraw, and is set aside too.
    """
    successors = db.execute(
        "SELECT n.id, n.version, n.destination, n.result_id, d.version FROM deliveries d JOIN deliveries n ON n.after = d.id"
        " AND n.result_id = d.result_id AND n.state = 'unborn' WHERE d.id = ? ORDER BY n.id",
        (delivery_id,),
    ).fetchall()
    if not successors or is_withdrawal(db, successors[0][3], successors[0][4]):
        return
    set_aside(db, delivery_id, SERVICE, at=at)
    for successor, version, destination, result_id, _ in successors:
        if is_withdrawal(db, result_id, version) and not may_be_there(db, result_id, destination):
            move_delivery(db, successor, DeliveryEvent.SUPERSEDE, at, SERVICE)


def set_aside(db: Db, delivery_id: int, actor: Actor, *, at: datetime) -> None:
    """Supersede a delivery for a later version, and close what stands open of it."""
    move_delivery(db, delivery_id, DeliveryEvent.SUPERSEDE, at, actor)
    for (stop_id,) in db.execute("SELECT id FROM stops WHERE delivery_id = ? AND state = 'open'", (delivery_id,)).fetchall():
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ? WHERE id = ?",
            (when(at), f"{actor.name} ({actor.verified})", REPLACED, stop_id),
        )
        note(db, at, actor, "stop.closed", f"stop:{stop_id}", Change(before="open", after=REPLACED))
