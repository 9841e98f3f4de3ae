"""Results that wait in their lanes for what a person adds, and what becomes of them.

Such a result's deliveries stand in their lanes without a message, and blocked: so a later result of the same patient cannot overtake it, by
the rule that every lane has. Adding, or the end of the wait, takes the block away, and the message is made then.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.added import NAMES, Addition
from bridge.bench.gate import Seat
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import SERVICE, Actor, CodedResult, DeliveryState
from bridge.store.addition_commands import AddedWrite, AddToHeld, AddToResult, EndAwaiting
from bridge.store.apply_desk import close_stop
from bridge.store.apply_gate import judge_again
from bridge.store.chains import set_aside
from bridge.store.codec import json_text, result_bytes, when
from bridge.store.commands import CloseStop, NewDelivery, RecordOutcome
from bridge.store.database import Db
from bridge.store.lanes import hold_lanes
from bridge.store.reads_additions import ADDED, HELD, OPEN, OVER, WENT, added_by
from bridge.store.statements import Change, note

NOT_ADDED = "not added in time"  # why a strip is judged again
ADDED_EVENT = "strip.added"
WITHOUT_EVENT = "strip.not_added"
WENT_WORDS = (
    "Its time was over, and the result went without. If it must say more, correct the result with a comment from its own page."
)
HELD_WORDS = "Its time was over: this strip is held now. Look at Rejected messages."
OVER_WORDS = "This result was changed meanwhile, and does not wait any more. Look at it again."


def ended_words(state: str, by: str) -> str:
    """Say why nothing can be added any more: how the wait ended, and whose doing it was ("" for nobody's)."""
    if state == ADDED:
        return f"{by} has added to this strip already. Look at the list again."
    return {WENT: WENT_WORDS, HELD: HELD_WORDS}.get(state, OVER_WORDS)


def waits_for_additions(command: RecordOutcome, deliveries: Sequence[NewDelivery]) -> bool:
    """Say whether a result that is recorded waits for additions; one that waits for another delivery waits for nothing else."""
    return command.added is not None and bool(command.added.asks) and all(new.after is None for new in deliveries)


def await_additions(db: Db, command: RecordOutcome, write: AddedWrite, result: CodedResult, *, waits: bool) -> None:
    """Note that a result waits for additions, and let an urgent one hurry what stands in front of it."""
    if not command.deliveries:
        return
    if write.hurries:
        db.execute(
            "UPDATE additions_awaited SET due_at = ? WHERE state = 'open' AND due_at > ? AND EXISTS (SELECT 1 FROM deliveries d"
            " WHERE d.result_id = additions_awaited.result_id AND d.version = additions_awaited.version AND d.lane = ?)",
            (when(write.due_at), when(write.due_at), command.deliveries[0].lane),
        )
    if waits:
        db.execute(
            "INSERT INTO additions_awaited (capture_id, idx, analyzer, result_id, version, asks, due_at, holds, state)"
            " VALUES (?,?,?,?,?,?,?,?,'open')",
            (
                command.capture_id, command.reading.index, command.reading.analyzer, result.result_id, result.version,
                json_text([what.value for what in write.asks]), when(write.due_at), int(write.holds),
            ),
        )  # fmt: skip


def add_to_result(db: Db, command: AddToResult) -> None:
    """Keep what was added to a result, and let it go. Raises Overtaken where it does not wait any more."""
    hold_lanes(db)
    row = db.execute(
        f"SELECT capture_id, idx, result_id, version, state FROM additions_awaited WHERE id = ?{db.for_update}",
        (command.awaited_id,),
    ).fetchone()
    if row is None:
        raise Overtaken(OVER_WORDS)
    capture_id, index, result_id, version, state = row
    if state != OPEN or (result_id, version) != (command.made.result_id, command.made.version):
        raise Overtaken(ended_words(state, added_by(db, capture_id, index)))
    if not _is_unseen(db, result_id, version):
        raise Overtaken(OVER_WORDS)
    _keep(db, (capture_id, index), command.additions, command.actor)
    db.execute(
        "UPDATE results SET content = ? WHERE result_id = ? AND version = ?", (result_bytes(command.made), result_id, version)
    )
    _end(db, command.awaited_id, ADDED)
    _let_go(db, result_id, version)


def add_to_held(db: Db, command: AddToHeld) -> None:
    """Keep what was added to a held strip, and judge it again. Raises as ``close_stop``."""
    end = CloseStop(
        stop_id=command.stop_id, end=StopEnd.READ_AGAIN, actor=command.actor, reason=said(command.additions), at=command.at
    )
    close_stop(db, end)
    (capture_id, index) = db.execute(
        "SELECT s.capture_id, s.idx FROM stops t JOIN strips s ON s.id = t.strip_id WHERE t.id = ?", (command.stop_id,)
    ).fetchone()
    _keep(db, (capture_id, index), command.additions, command.actor)


def end_awaiting(db: Db, command: EndAwaiting) -> int:
    """End the waits whose time is over, the oldest first; give how many."""
    hold_lanes(db)
    found = db.execute(
        "SELECT id, capture_id, idx, analyzer, result_id, version, holds FROM additions_awaited WHERE state = 'open' AND due_at <= ?"
        f" ORDER BY due_at, id LIMIT ?{db.for_update}",
        (when(command.at), command.most),
    ).fetchall()
    for awaited_id, capture_id, index, analyzer, result_id, version, holds in found:
        if not _is_unseen(db, result_id, version):
            _end(db, awaited_id, OVER)
            _let_go(db, result_id, version)
        elif holds:
            _end(db, awaited_id, HELD)
            for delivery_id, destination in db.execute(
                "SELECT id, destination FROM deliveries WHERE result_id = ? AND version = ? AND state = 'unborn' ORDER BY id",
                (result_id, version),
            ).fetchall():
                set_aside(db, delivery_id, SERVICE, at=command.at)
                db.tell(f"destination:{destination}")
            judge_again(db, analyzer, capture_id, index, NOT_ADDED)
        else:
            _end(db, awaited_id, WENT)
            _let_go(db, result_id, version)
            strip_id = _strip_id(db, (capture_id, index))
            note(db, command.at, SERVICE, WITHOUT_EVENT, f"strip:{strip_id}", Change(after="sent without"))
    return len(found)


def end_wait_of(db: Db, result_id: str) -> None:
    """End the wait of a result that a person changed, and whose deliveries are set aside with that: no list shows it any more."""
    db.execute("UPDATE additions_awaited SET state = ? WHERE result_id = ? AND state = 'open'", (OVER, result_id))


def _end(db: Db, awaited_id: int, state: str) -> None:
    db.execute("UPDATE additions_awaited SET state = ? WHERE id = ?", (state, awaited_id))


def _is_unseen(db: Db, result_id: str, version: int) -> bool:
    """Say whether no message of a version was made yet, and none is to be made without its wait: every delivery of it is unborn."""
    rows = db.execute("SELECT state FROM deliveries WHERE result_id = ? AND version = ?", (result_id, version)).fetchall()
    return bool(rows) and all(state == DeliveryState.UNBORN for (state,) in rows)


def _let_go(db: Db, result_id: str, version: int) -> None:
    """Take away the block that stands for the wait. What waits for another delivery (``after``) is left as it is."""
    freed = db.execute(
        "UPDATE deliveries SET is_blocked = 0 WHERE result_id = ? AND version = ? AND is_blocked = 1 AND after IS NULL RETURNING destination",
        (result_id, version),
    ).fetchall()
    for (destination,) in freed:
        db.tell(f"destination:{destination}")


def _keep(db: Db, seat: Seat, additions: Sequence[Addition], actor: Actor) -> None:
    of_strip = "SELECT id, record_digest FROM strips WHERE capture_id = ? AND idx = ? AND is_newest = 1"
    strip_id, digest = db.execute(of_strip, seat).fetchone()
    for each in additions:
        db.execute(
            "INSERT INTO additions (capture_id, idx, record_digest, what, word, actor, verified, at) VALUES (?,?,?,?,?,?,?,?)",
            (*seat, digest, each.what.value, each.word, each.by, actor.verified, when(each.at)),
        )
    note(db, additions[0].at, actor, ADDED_EVENT, f"strip:{strip_id}", Change(after="added to", reason=said(additions)))


def said(additions: Sequence[Addition]) -> str:
    """Give what was added in words, for the history: ``colour: yellow; clarity: left out``."""
    return "; ".join(f"{NAMES[each.what]}: {each.word or 'left out'}" for each in additions)


def _strip_id(db: Db, seat: Seat) -> int:
    row = db.execute("SELECT id FROM strips WHERE capture_id = ? AND idx = ? AND is_newest = 1", seat).fetchone()
    return int(row[0])
