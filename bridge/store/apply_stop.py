"""Whose a stop is, and notes about it: what changes nothing of its way."""

from __future__ import annotations

from bridge.errors import Overtaken, RefusedAction
from bridge.store.database import Db
from bridge.store.statements import ASSIGNED, Change, note
from bridge.store.stop_commands import AssignStop, NoteStop

NOTED = "stop.note"
CLOSED = "stop.closed"
TURNS = (ASSIGNED, CLOSED)  # what shows on a list that somebody has open
ENDED = "Somebody has dealt with this already. Look at the list again."
NOWHERE = "There is no such row."


def taken_by(owner: str) -> str:
    """Say whose a stop is by now."""
    return (
        f"{owner} has taken this meanwhile." if owner else "This was given back meanwhile: nobody has it now. Look at it again."
    )


def assign_stop(db: Db, command: AssignStop) -> None:
    """Keep whose an open stop is. Raises Overtaken where it is over, or is not whose the person saw it to be."""
    row = db.execute(f"SELECT state, owner FROM stops WHERE id = ?{db.for_update}", (command.stop_id,)).fetchone()
    if row is None or row[0] != "open":
        raise Overtaken(ENDED)
    if row[1] != command.before:
        raise Overtaken(taken_by(row[1]))
    db.execute("UPDATE stops SET owner = ? WHERE id = ?", (command.owner, command.stop_id))
    change = Change(before=command.before, after=command.owner)
    note(db, command.at, command.actor, ASSIGNED, f"stop:{command.stop_id}", change)


def note_stop(db: Db, command: NoteStop) -> None:
    """Keep a note in a stop's history. Raises RefusedAction where there is no such stop."""
    if db.execute("SELECT 1 FROM stops WHERE id = ?", (command.stop_id,)).fetchone() is None:
        raise RefusedAction(NOWHERE)
    note(db, command.at, command.actor, NOTED, f"stop:{command.stop_id}", Change(reason=command.text))
