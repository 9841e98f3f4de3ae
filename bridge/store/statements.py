"""Statements that several commands share: an event, a stop, a delivery's move."""

from __future__ import annotations

import sqlite3
from datetime import datetime

from bridge.lifecycle.states import DeliveryEvent, StopGroup, step
from bridge.model import SERVICE, Actor, DeliveryState, Place
from bridge.store.codec import json_text, when


def note(  # noqa: PLR0913 - one argument a column, as below
    db: sqlite3.Connection,
    at: datetime,
    actor: Actor,
    what: str,
    subject: str,
    *,
    before: str = "",
    after: str = "",
    reason: str = "",
) -> None:
    """Append an event. ``reason`` is a person's words or a code; never a patient identifier of ours."""
    db.execute(
        "INSERT INTO events (at, actor, verified, what, subject, before, after, reason) VALUES (?,?,?,?,?,?,?,?)",
        (when(at), actor.name, actor.verified, what, subject, str(before), str(after), reason),
    )


def open_stop(  # noqa: PLR0913 - one argument a column; a type of its own would only repeat the table
    db: sqlite3.Connection,
    *,
    at: datetime,
    group: StopGroup,
    rules: tuple[str, ...],
    sentence: str,
    remedy: str,
    place: Place | None = None,
    releasable: bool = False,
    source: str = "",
    analyzer: str = "",
    capture_id: int | None = None,
    strip_id: int | None = None,
    delivery_id: int | None = None,
    receiver_words: str = "",
) -> int:
    """Open a stop; give its id."""
    cursor = db.execute(
        "INSERT INTO stops (grp, state, rule, rules, sentence, remedy, place_start, place_end, releasable, opened_at, repeats, source, analyzer,"
        " capture_id, strip_id, delivery_id, receiver_words, closed_by, closed_how, closed_reason)"
        " VALUES (?,'open',?,?,?,?,?,?,?,?,0,?,?,?,?,?,?,'','','')",
        (
            group, rules[0], json_text(rules), sentence, remedy, place.start if place else None, place.end if place else None, int(releasable),
            when(at), source, analyzer, capture_id, strip_id, delivery_id, receiver_words,
        ),
    )  # fmt: skip
    stop_id = int(cursor.lastrowid or 0)
    note(db, at, SERVICE, "stop.opened", f"stop:{stop_id}", after=group, reason=rules[0])
    return stop_id


def move_delivery(
    db: sqlite3.Connection, delivery_id: int, event: DeliveryEvent, at: datetime, actor: Actor, *, reason: str = ""
) -> DeliveryState:
    """Move a delivery by the state table; give its new state. Raises ValueError for a move that must not happen."""
    (before,) = db.execute("SELECT state FROM deliveries WHERE id = ?", (delivery_id,)).fetchone()
    after = step(DeliveryState(before), event)
    db.execute("UPDATE deliveries SET state = ? WHERE id = ?", (after, delivery_id))
    note(db, at, actor, f"delivery.{event.name.lower()}", f"delivery:{delivery_id}", before=before, after=after, reason=reason)
    return after
