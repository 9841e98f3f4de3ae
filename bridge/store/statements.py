"""Statements that several commands share: an event, a stop, a delivery's move."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.lifecycle.states import DeliveryEvent, StopGroup, step
from bridge.model import SERVICE, Actor, DeliveryState, Place
from bridge.store.codec import json_text, when
from bridge.store.database import Db, new_id
from bridge.store.lanes import Moved, hold_lanes, keep_lane

NEW_ATTEMPT = "INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (?,?,'','') RETURNING id"


@dataclass(frozen=True, kw_only=True, slots=True)
class NewStop:
    """A stop to open: what a person reads of it, and what it stands on, as far as there is such a thing.

    ``rules`` holds at least one, the one that decides first. ``place`` is a byte range in the capture's payload.
    ``receiver_words`` may name a patient and is for the pages only.
    """

    group: StopGroup
    rules: tuple[str, ...]
    sentence: str
    remedy: str
    place: Place | None = None
    releasable: bool = False
    source: str = ""
    analyzer: str = ""
    capture_id: int | None = None
    strip_id: int | None = None
    delivery_id: int | None = None
    receiver_words: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """What an event changed: the state before and after, "" where there is none, and why.

    ``reason`` is a person's words or a code; never a patient identifier of ours.
    """

    before: str = ""
    after: str = ""
    reason: str = ""


def note(db: Db, at: datetime, actor: Actor, what: str, subject: str, change: Change) -> None:
    """Append an event."""
    db.execute(
        "INSERT INTO events (at, actor, verified, what, subject, before, after, reason) VALUES (?,?,?,?,?,?,?,?)",
        (when(at), actor.name, actor.verified, what, subject, str(change.before), str(change.after), change.reason),
    )


def open_stop(db: Db, stop: NewStop, *, at: datetime) -> int:
    """Open a stop; give its id."""
    start, end = (stop.place.start, stop.place.end) if stop.place else (None, None)
    stop_id = new_id(
        db,
        "INSERT INTO stops (grp, state, rule, rules, sentence, remedy, place_start, place_end, releasable, opened_at, repeats, source, analyzer,"
        " capture_id, strip_id, delivery_id, receiver_words, closed_by, closed_how, closed_reason)"
        " VALUES (?,'open',?,?,?,?,?,?,?,?,0,?,?,?,?,?,?,'','','')",
        (
            stop.group, stop.rules[0], json_text(stop.rules), stop.sentence, stop.remedy, start, end, int(stop.releasable), when(at),
            stop.source, stop.analyzer, stop.capture_id, stop.strip_id, stop.delivery_id, stop.receiver_words,
        ),
    )  # fmt: skip
    note(db, at, SERVICE, "stop.opened", f"stop:{stop_id}", Change(after=stop.group, reason=stop.rules[0]))
    return stop_id


def move_delivery(
    db: Db, delivery_id: int, event: DeliveryEvent, at: datetime, actor: Actor, *, reason: str = ""
) -> DeliveryState:
    """Move a delivery by the state table, and its lane with it; give its new state. Raises ValueError for a move that must not happen."""
    hold_lanes(db)
    before, destination, lane = db.execute(
        "SELECT state, destination, lane FROM deliveries WHERE id = ?", (delivery_id,)
    ).fetchone()
    after = step(DeliveryState(before), event)
    db.execute("UPDATE deliveries SET state = ? WHERE id = ?", (after, delivery_id))
    keep_lane(db, Moved(delivery_id=delivery_id, destination=destination, lane=lane, before=before, after=after))
    if actor != SERVICE:  # of its own moves a destination's queue needs no news
        db.tell(f"destination:{destination}")
    change = Change(before=before, after=after, reason=reason)
    note(db, at, actor, f"delivery.{event.name.lower()}", f"delivery:{delivery_id}", change)
    return after
