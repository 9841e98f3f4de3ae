"""What a restored store must not do by itself: everything that may have been sent since its backup goes to a person.

A new epoch makes sure that no identity of the lost time is given again. Statements are those that both databases take.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime

from bridge.lifecycle.states import DeliveryEvent, StopGroup
from bridge.model import SERVICE, Finding, Place, Severity, Unreadable
from bridge.store.apply import new_epoch
from bridge.store.apply_gate import shut_all
from bridge.store.apply_outcome import record_outcome
from bridge.store.codec import moment_of, unpacked, when
from bridge.store.commands import RecordOutcome
from bridge.store.database import Db
from bridge.store.lanes import opened
from bridge.store.statements import Change, NewStop, move_delivery, note, open_stop

RESTORED = "restored from the backup of {said}"  # why a gate is shut then, in words of a sentence; ``said`` is a time


@dataclass(frozen=True, kw_only=True, slots=True)
class Reviewed:
    """What was put before a person: deliveries and captures, counted; and the epochs before and after."""

    deliveries: int
    captures: int
    old_epoch: str
    epoch: str


def newest_moment(db: Db) -> datetime | None:
    """Give when the newest thing in the store happened, aware, UTC; None in a store in which nothing did."""
    row = db.execute("SELECT at_us FROM events ORDER BY id DESC LIMIT 1").fetchone()
    return moment_of(row[0]) if row else None


def review(db: Db, *, now: datetime, taken_at: datetime, known: Collection[str] = ()) -> Reviewed:
    """Open a new epoch and put what may have been sent since ``taken_at`` before a person; all in the caller's transaction.

    ``known`` are epochs that must not come again besides the store's own. Times are aware, UTC.
    """
    old = str(db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])
    epoch = new_epoch({*known, old})
    db.execute("UPDATE meta SET value = ? WHERE name = 'epoch'", (epoch,))
    said = f"{taken_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    deliveries = _review_deliveries(db, now, said)
    captures = _review_intake(db, now, said) + _review_waiting(db, now, said)
    shut_all(db, at=now, reason=RESTORED.format(said=said))
    note(db, now, SERVICE, "store.restored", "store", Change(before=old, after=epoch, reason=f"backup of {said}"))
    return Reviewed(deliveries=deliveries, captures=captures, old_epoch=old, epoch=epoch)


def _review_deliveries(db: Db, now: datetime, said: str) -> int:
    """Stop every delivery that was under way: whether it went out since, only its receiver knows."""
    found = db.execute(
        "SELECT d.id, d.destination, r.strip_id, s.capture_id, s.analyzer FROM deliveries d"
        " JOIN results r ON r.result_id = d.result_id AND r.version = d.version JOIN strips s ON s.id = r.strip_id"
        f" WHERE {opened('d.')} ORDER BY d.id"
    ).fetchall()
    for delivery_id, destination, strip_id, capture_id, analyzer in found:
        move_delivery(db, delivery_id, DeliveryEvent.RESTORE, now, SERVICE)
        db.execute("UPDATE deliveries SET due_at = NULL WHERE id = ?", (delivery_id,))
        db.execute(
            "UPDATE attempts SET ended_at = ?, code = 'unknown' WHERE delivery_id = ? AND ended_at IS NULL",
            (when(now), delivery_id),
        )
        stop = NewStop(
            group=StopGroup.HELD,
            rules=("restore.unsure",),
            sentence=f"This result may have been sent to {destination} after the backup of {said} was taken, from which Padpost was restored.",
            remedy=f"Look for it in {destination}. If it is there, discard this row; if it is not, send it again.",
            analyzer=analyzer,
            capture_id=capture_id,
            strip_id=strip_id,
            delivery_id=delivery_id,
        )
        open_stop(db, stop, at=now)
    return len(found)


def _review_intake(db: Db, now: datetime, said: str) -> int:
    """Stop every capture that was not judged to its end: it may have been judged since, and its results sent under identities that are lost."""
    found = db.execute(
        "SELECT i.id, i.capture_id, i.analyzer, coalesce(i.only_index, i.next_index), i.only_index IS NULL AND i.because <> '', c.payload, c.digest"
        " FROM intake i JOIN captures c ON c.id = i.capture_id WHERE i.ended_at IS NULL ORDER BY i.id"
    ).fetchall()
    for intake_id, capture_id, analyzer, due, is_whole_again, payload, digest in found:
        index = _behind_its_strips(db, capture_id) if is_whole_again else due
        place = Place(start=0, end=len(unpacked(payload)))
        finding = Finding(
            rule="restore.unjudged",
            severity=Severity.REJECT,
            sentence=f"This came in before the backup of {said} and was not judged in it; it may have been judged and sent since.",
            remedy="Look for its results in the records. If they are not there, read it again; if they are, discard this row.",
            place=place,
        )
        # a digest of its own: the same bytes twice are two captures here, and each is a person's to decide
        own_digest = hashlib.sha256(f"{digest}/{intake_id}".encode()).hexdigest()
        record_outcome(
            db,
            RecordOutcome(
                intake_id=intake_id,
                capture_id=capture_id,
                reading=Unreadable(index=index, place=place, analyzer=analyzer, record_digest=own_digest, finding=finding),
                outcome=None,
                deliveries=(),
                tables_digest="",
                at=now,
                ends_intake=True,
            ),
        )
    return len(found)


def _review_waiting(db: Db, now: datetime, said: str) -> int:
    """Stop every strip that waited for its controls: they may have passed since, and its result been sent under an identity that is lost."""
    found = db.execute(
        "SELECT s.id, s.capture_id, s.analyzer, c.source FROM strips s JOIN captures c ON c.id = s.capture_id"
        " WHERE s.outcome = 'waiting' ORDER BY s.id"
    ).fetchall()
    for strip_id, capture_id, analyzer, source in found:
        db.execute("UPDATE strips SET outcome = 'held' WHERE id = ?", (strip_id,))
        stop = NewStop(
            group=StopGroup.HELD,
            rules=("restore.waited",),
            sentence=f"This waited for its controls in the backup of {said}, from which Padpost was restored; they may have passed, and it may have been sent, since.",
            remedy="Look for its result in the records. If it is not there, read it again; if it is, discard this row.",
            source=source,
            analyzer=analyzer,
            capture_id=capture_id,
            strip_id=strip_id,
        )
        open_stop(db, stop, at=now)
    return len(found)


def _behind_its_strips(db: Db, capture_id: int) -> int:
    """Give an index that no strip of a capture has: what is read again was judged before, and strips of it may have gone."""
    return int(db.execute("SELECT max(idx) + 1 FROM strips WHERE capture_id = ?", (capture_id,)).fetchone()[0])
