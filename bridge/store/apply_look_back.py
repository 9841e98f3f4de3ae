"""What a person decides of a result that left before a control failed, in the transaction that acts on it."""

from __future__ import annotations

from bridge.bench.corrections import Kind
from bridge.bench.gate import Seat
from bridge.bench.look_back import Verdict
from bridge.store.codec import when
from bridge.store.commands import CorrectResult, LetStand
from bridge.store.database import Db
from bridge.store.statements import Change, note, overtaken

DECIDED = "Somebody has decided about this result already. Look at the list again."
VERDICTS = {Kind.CORRECTED: Verdict.CORRECTED, Kind.WITHDRAWN: Verdict.WITHDRAWN, Kind.REPLACED: Verdict.WITHDRAWN}


def let_stand(db: Db, command: LetStand) -> None:
    """Keep that a result stands. Raises Overtaken where somebody decided before."""
    decided = db.execute(
        "UPDATE look_backs SET verdict = ?, actor = ?, verified = ?, decided_at = ?, reason = ? WHERE id = ? AND verdict = ''",
        (Verdict.STANDS, command.actor.name, command.actor.verified, when(command.at), command.reason, command.row_id),
    ).rowcount
    if not decided:
        raise overtaken(db, f"look_back:{command.row_id}", DECIDED)
    change = Change(after=Verdict.STANDS, reason=command.reason)
    note(db, command.at, command.actor, "look_back.decided", f"look_back:{command.row_id}", change)


def settle_look_back(db: Db, command: CorrectResult, seat: Seat, correction_id: int) -> None:
    """Tie a correction to the look-back of its strip. Raises Overtaken where it names a row that somebody decided about.

    A withdrawal decides a row that is open: nothing is left to decide. Another correction does only where it says so: a new specimen
    number is no answer to a control that failed. What was decided, and not done until now, is done by it.
    """
    of = command.correction
    verdict = VERDICTS.get(of.kind)
    found = db.execute(
        f"SELECT id, verdict FROM look_backs WHERE capture_id = ? AND idx = ? AND correction_id IS NULL{db.for_update}", seat
    ).fetchone()
    is_told = command.look_back is not None
    if is_told and (found is None or found != (command.look_back, "") or verdict is None):
        raise overtaken(db, f"look_back:{command.look_back}", DECIDED)
    if found is None or verdict is None:
        return
    row_id, decided = found
    if decided == verdict:
        db.execute("UPDATE look_backs SET correction_id = ? WHERE id = ?", (correction_id, row_id))
    elif not decided and (is_told or verdict is Verdict.WITHDRAWN):
        db.execute(
            "UPDATE look_backs SET verdict = ?, actor = ?, verified = ?, decided_at = ?, reason = ?, correction_id = ? WHERE id = ?",
            (verdict, of.by.name, of.by.verified, when(of.at), of.reason, correction_id, row_id),
        )
        note(db, of.at, of.by, "look_back.decided", f"look_back:{row_id}", Change(after=verdict, reason=of.reason))
