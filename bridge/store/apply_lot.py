"""Lots of control material: entered by one person, signed by another, taken out of use by anybody with a reason."""

from __future__ import annotations

from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.store.codec import when
from bridge.store.commands import CloseLot, EnterLot, SignLot
from bridge.store.database import Db
from bridge.store.statements import Change, note, overtaken

SAME_PERSON = "You entered this lot yourself. A second person compares it with the insert and signs."


def enter_lot(db: Db, command: EnterLot) -> int:
    """Keep a lot; nobody has signed it yet."""
    new = db.insert(
        "INSERT INTO control_lots (content, entered_by, entered_at, signed_by, closed_by) VALUES (?,?,?,'','')",
        (command.content, command.actor.name, when(command.at)),
    )
    lot_id = int(new)
    note(db, command.at, command.actor, "lot.entered", f"lot:{lot_id}", Change(after="entered"))
    return lot_id


def sign_lot(db: Db, command: SignLot) -> None:
    """Sign a lot. Raises RefusedAction for the same person, Overtaken where it is signed or taken out."""
    entered_by, signed_by = _in_use(db, command.lot_id)
    if signed_by:
        raise Overtaken(f"{signed_by} has signed this lot already.")
    if same_person(entered_by, command.actor.name):
        raise RefusedAction(SAME_PERSON)
    db.execute(
        "UPDATE control_lots SET signed_by = ?, signed_at = ? WHERE id = ?",
        (command.actor.name, when(command.at), command.lot_id),
    )
    note(db, command.at, command.actor, "lot.signed", f"lot:{command.lot_id}", Change(before="entered", after="signed"))


def close_lot(db: Db, command: CloseLot) -> None:
    """Take a lot out of use. Raises Overtaken where it is out already."""
    _in_use(db, command.lot_id)
    db.execute(
        "UPDATE control_lots SET closed_by = ?, closed_at = ? WHERE id = ?",
        (command.actor.name, when(command.at), command.lot_id),
    )
    note(db, command.at, command.actor, "lot.closed", f"lot:{command.lot_id}", Change(after="closed", reason=command.reason))


def _in_use(db: Db, lot_id: int) -> tuple[str, str]:
    row = db.execute(
        f"SELECT entered_by, signed_by FROM control_lots WHERE id = ? AND closed_at IS NULL{db.for_update}", (lot_id,)
    ).fetchone()
    if row is None:
        raise overtaken(db, f"lot:{lot_id}", "This lot is out of use already. Look at the list again.")
    return row[0], row[1]
