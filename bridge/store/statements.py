"""Statements that several commands share: an event, a stop, a delivery's move."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from bridge.errors import Overtaken
from bridge.lifecycle.states import OPEN_DELIVERY, DeliveryEvent, StopGroup, step
from bridge.model import SERVICE, Actor, DeliveryState, Place
from bridge.store.chain import event_bytes, kind_digest
from bridge.store.codec import json_text, microseconds, when
from bridge.store.commands import CloseStop, EndWaiting
from bridge.store.database import Db
from bridge.store.interned import OwnKind, kind_id, own_digest, own_kind_id, parted, word_id
from bridge.store.lanes import Moved, hold_lanes, keep_lane

ASSIGNED = "stop.assigned"  # an event's what: whose a stop is
KEEP_MESSAGE = "INSERT INTO messages (delivery_id, payload) VALUES (?,?)"
NEW_ATTEMPT = "INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (?,?,'','')"


@dataclass(frozen=True, kw_only=True, slots=True)
class NewStop:
    """A stop to open: what a person reads of it, and what it stands on, as far as there is such a thing.

    ``rules`` holds at least one, the one that decides first. ``place`` is a byte range in the capture's payload.
    ``receiver_words`` may name a patient and is for the pages only. ``owner`` is who had taken it as it stood before ("" for nobody).
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
    owner: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """What an event changed: the state before and after, "" where there is none, and why.

    ``reason`` is a person's words or a code; never a patient identifier of ours.
    """

    before: str = ""
    after: str = ""
    reason: str = ""


_NEW_EVENT = "INSERT INTO events (at_us, kind, number, reason, entry, who) VALUES (?,?,?,?,?,?)"


def note(db: Db, at: datetime, actor: Actor, what: str, subject: str, change: Change) -> None:
    """Append an event, findable by who did it."""
    sort, number = parted(subject)
    at_us, words = microseconds(at), (actor.name, actor.verified, what, sort, change.before, change.after)
    entry = db.chain.note(db, at_us, event_bytes(kind_digest(*words), at_us, number, change.reason, is_named=True))
    kind, who = kind_id(db, actor, what, sort, change.before, change.after), word_id(db, actor.name)
    db.append(_NEW_EVENT, (at_us, kind, number, change.reason, entry, who))


def terms_noted(command: CloseStop | EndWaiting) -> Iterator[tuple[Actor, str, Change]]:
    """Give what is noted beside the end itself: who agreed as the second person, in that name, and what becomes of the specimen."""
    if command.second:
        yield replace(command.actor, name=command.second), "release.agreed", Change(after="agreed", reason=command.reason)
    if command.specimen is not None:
        yield command.actor, "specimen.next", Change(after=command.specimen)


def note_terms(db: Db, command: CloseStop | EndWaiting, subject: str) -> None:
    """Append the events of ``terms_noted``."""
    for actor, what, change in terms_noted(command):
        note(db, command.at, actor, what, subject, change)


_LAST_PERSON = (
    "SELECT k.actor FROM events e JOIN event_kinds k ON k.id = e.kind WHERE e.number = ? AND e.kind IN (SELECT id FROM event_kinds"
    " WHERE subject = ? AND what NOT IN ('seen', 'asked') AND after <> '' AND verified <> 'service') ORDER BY e.id DESC LIMIT 1"
)


def overtaken(db: Db, subject: str, sentence: str) -> Overtaken:
    """Give the error for an act that somebody else was quicker with: it names who changed ``subject`` last, where a person did.

    Who only signed in to an account, or left a note, changed nothing: such an event says nothing of what it became (``after``).
    """
    sort, number = parted(subject)
    row = db.execute(_LAST_PERSON, (number, sort)).fetchone()
    return Overtaken(first_said(row[0] if row else "", sentence))


def first_said(who: str, sentence: str) -> str:
    """Give the sentence for whoever comes second; ``who`` was first, "" where nobody knows."""
    return f"{who} was first. {sentence}" if who else sentence


def note_own(db: Db, at_us: int, kind: OwnKind, number: int, reason: str = "") -> None:
    """Append an event of Padpost's own about what has a ``number``; ``at_us`` is microseconds since 1970 (``codec.microseconds``)."""
    entry = db.chain.note(db, at_us, event_bytes(own_digest(kind), at_us, number, reason, is_named=False))
    db.append(_NEW_EVENT, (at_us, own_kind_id(db, kind), number, reason, entry, None))


def open_stop(db: Db, stop: NewStop, *, at: datetime) -> int:
    """Open a stop; give its id."""
    start, end = (stop.place.start, stop.place.end) if stop.place else (None, None)
    new = db.insert(
        "INSERT INTO stops (grp, state, rule, rules, sentence, remedy, place_start, place_end, releasable, opened_at, repeats, source, analyzer,"
        " capture_id, strip_id, delivery_id, receiver_words, closed_by, closed_how, closed_reason, owner)"
        " VALUES (?,'open',?,?,?,?,?,?,?,?,0,?,?,?,?,?,?,'','','',?)",
        (
            stop.group, stop.rules[0], json_text(stop.rules), stop.sentence, stop.remedy, start, end, int(stop.releasable), when(at),
            stop.source, stop.analyzer, stop.capture_id, stop.strip_id, stop.delivery_id, stop.receiver_words, stop.owner,
        ),
    )  # fmt: skip
    stop_id = int(new)
    note(db, at, SERVICE, "stop.opened", f"stop:{stop_id}", Change(after=stop.group, reason=stop.rules[0]))
    if stop.owner:
        note(db, at, SERVICE, ASSIGNED, f"stop:{stop_id}", Change(after=stop.owner))
    return stop_id


def owner_before(db: Db, strip_id: int, delivery_id: int | None = None) -> str:
    """Give who last had taken a stop of a strip, or of one message of it; "" for nobody. What stops again is still that person's."""
    of_message, values = ("", ()) if delivery_id is None else (" AND delivery_id = ?", (delivery_id,))
    found = f"SELECT owner FROM stops WHERE strip_id = ?{of_message} AND owner <> '' ORDER BY id DESC LIMIT 1"
    row = db.execute(found, (strip_id, *values)).fetchone()
    return str(row[0]) if row else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Also:
    """What else a move changes in the delivery's row: assignments of SQL, and their values."""

    sets: str
    values: tuple[object, ...]


_STANDING = "SELECT state, destination, lane FROM deliveries WHERE id = ?"
_NAMES = {event: f"delivery.{event.name.lower()}" for event in DeliveryEvent}


def move_delivery(
    db: Db, delivery_id: int, event: DeliveryEvent, at: datetime, actor: Actor, *, reason: str = ""
) -> DeliveryState:
    """Move a delivery by the state table, and its lane with it; give its new state. Raises ValueError for a move that must not happen."""
    hold_lanes(db)
    before, destination, lane = db.execute(_STANDING, (delivery_id,)).fetchone()
    after = step(DeliveryState(before), event)
    moved = Moved(delivery_id=delivery_id, destination=destination, lane=lane, before=before, after=after)
    set_moved(db, moved)
    note_move(db, moved, event, at, actor, reason)
    return after


def set_moved(db: Db, moved: Moved, also: Also | None = None) -> None:
    """Write where a delivery went, in one with what else changes in its row, and keep its lane; lanes are held."""
    sets = "state = ?" if moved.after in OPEN_DELIVERY else "state = ?, is_head = 0"  # what is over heads no lane
    if also is None:
        db.execute(f"UPDATE deliveries SET {sets} WHERE id = ?", (str(moved.after), moved.delivery_id))
    else:
        db.execute(f"UPDATE deliveries SET {sets}, {also.sets} WHERE id = ?", (str(moved.after), *also.values, moved.delivery_id))
    keep_lane(db, moved)


def note_move(db: Db, moved: Moved, event: DeliveryEvent, at: datetime, actor: Actor, reason: str) -> None:
    """Append the event of a move, and tell its destination's queue what a person did; of its own moves it needs no news."""
    if actor == SERVICE:
        kind = OwnKind(_NAMES[event], "delivery", str(moved.before), str(moved.after))
        note_own(db, microseconds(at), kind, moved.delivery_id, reason)
        return
    db.tell(f"destination:{moved.destination}")
    change = Change(before=moved.before, after=moved.after, reason=reason)
    note(db, at, actor, _NAMES[event], f"delivery:{moved.delivery_id}", change)
