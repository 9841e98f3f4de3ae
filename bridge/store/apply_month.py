"""Corrective actions beside controls that failed, and signatures of a month's review."""

from __future__ import annotations

from bridge.bench.controls import RunVerdict
from bridge.errors import RefusedAction
from bridge.store.codec import when
from bridge.store.commands import NoteAction, SignMonth
from bridge.store.database import Db
from bridge.store.statements import Change, note

NO_FAILURE = "There is no such control that failed. Look at the month again."


def note_action(db: Db, command: NoteAction) -> None:
    """Keep a corrective action. Raises RefusedAction where the line is no failure."""
    row = db.execute("SELECT what FROM gate_events WHERE id = ?", (command.line_id,)).fetchone()
    if row is None or row[0] != RunVerdict.FAILED:
        raise RefusedAction(NO_FAILURE)
    db.execute(
        "INSERT INTO corrective_actions (event_id, content, actor, verified, at) VALUES (?,?,?,?,?)",
        (command.line_id, command.text, command.actor.name, command.actor.verified, when(command.at)),
    )
    note(db, command.at, command.actor, "control.action", f"control:{command.line_id}", Change(reason=command.text))


def sign_month(db: Db, command: SignMonth) -> int:
    """Keep a signature; give its id."""
    new = db.insert(
        "INSERT INTO month_signatures (analyzer, strip_type, month, content, digest, statement, remark, actor, verified, at)"
        " VALUES (?,?,?,?,?,?,?,?,?,?)",
        (
            command.analyzer, command.strip_type, command.month.isoformat(), command.content, command.digest, command.statement, command.remark,
            command.actor.name, command.actor.verified, when(command.at),
        ),
    )  # fmt: skip
    signature_id = int(new)
    note(db, command.at, command.actor, "month.signed", f"month:{signature_id}", Change(after="signed", reason=command.remark))
    return signature_id
