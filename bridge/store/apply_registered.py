"""The register of identifiers that are no patient's: entered by one person, signed by another, ended with a reason."""

from __future__ import annotations

from bridge.errors import RefusedAction
from bridge.identity.person import same_person
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.life_commands import EndRegistration, RegisterId, SignRegistration
from bridge.store.statements import Change, note, overtaken

NEWS = "registered"  # the name by which other processes hear that what they keep of the register is old
OVER = "This registration is signed or ended already. Look at the list again."
SAME_PERSON = "Who registered it cannot sign it. A second person compares it with the label and signs."


def register_id(db: Db, command: RegisterId) -> int:
    """Keep a registration; give its id."""
    of = command.registration
    new = db.insert(
        "INSERT INTO registered_ids (text, purpose, scheme, since, until, entered_by, entered_at, signed_by, ended_by, reason) VALUES (?,?,?,?,?,?,?,'','','')",
        (of.text, of.purpose, of.scheme, of.since.isoformat(), of.until.isoformat(), command.actor.name, when(command.at)),
    )
    registration_id = int(new)
    note(db, command.at, command.actor, "registered.entered", f"registered:{registration_id}", Change(after=of.purpose))
    db.tell(NEWS)
    return registration_id


def sign_registration(db: Db, command: SignRegistration) -> None:
    """Keep the second person's signature. Raises RefusedAction for the first one's, Overtaken where it is signed or ended."""
    db.hold(NEWS)
    row = db.execute(
        "SELECT entered_by FROM registered_ids WHERE id = ? AND signed_by = '' AND ended_by = ''", (command.registration_id,)
    ).fetchone()
    if row is None:
        raise overtaken(db, f"registered:{command.registration_id}", OVER)
    if same_person(row[0], command.actor.name):
        raise RefusedAction(SAME_PERSON)
    db.execute(
        "UPDATE registered_ids SET signed_by = ?, signed_at = ? WHERE id = ?",
        (command.actor.name, when(command.at), command.registration_id),
    )
    change = Change(before="entered", after="signed")
    note(db, command.at, command.actor, "registered.signed", f"registered:{command.registration_id}", change)
    db.tell(NEWS)


def end_registration(db: Db, command: EndRegistration) -> None:
    """End a registration. Raises Overtaken where it is ended already, or never was."""
    ended = db.execute(
        "UPDATE registered_ids SET ended_by = ?, ended_at = ?, reason = ? WHERE id = ? AND ended_by = ''",
        (command.actor.name, when(command.at), command.reason, command.registration_id),
    ).rowcount
    if not ended:
        raise overtaken(db, f"registered:{command.registration_id}", OVER)
    change = Change(before="in force", after="ended", reason=command.reason)
    note(db, command.at, command.actor, "registered.ended", f"registered:{command.registration_id}", change)
    db.tell(NEWS)
