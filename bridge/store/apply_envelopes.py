"""Sealed envelopes: made, spent once, looked into by somebody else. No secret stands in an event."""

from __future__ import annotations

from bridge.accounts.envelope import ACCOUNT, BY_ENVELOPE, ISSUER, NAME, SUBJECT, Envelope
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.model import Actor
from bridge.store.account_commands import KeepAccount
from bridge.store.apply_accounts import keep_account, open_session
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from bridge.store.reads_envelopes import NEWEST, ONE, envelope_of
from bridge.store.statements import Change, first_said, note

HELD = "envelopes"  # what whoever changes envelopes holds
NOT_RIGHT = "This is not what stands in the newest envelope, or that was opened already. Look at the date on the envelope."
NO_LOOK = "Somebody looked into this already, or it was not opened. Look at the list again."


def look_fault(envelope: Envelope, actor: Actor) -> str:
    """Say why somebody may not be the one who looks into an opening, "" if they may: nobody looks into their own."""
    if actor.verified == BY_ENVELOPE or same_person(actor.name, NAME):
        return "The emergency account cannot look into its own use. Somebody does it with an account of their own."
    if same_person(actor.name, envelope.opened_by):
        return "You opened this envelope: somebody else looks into it."
    return ""


def seal_envelope(db: Db, command: SealEnvelope) -> int:
    """Keep a new envelope; give its id."""
    db.hold(HELD)
    if db.execute("SELECT 1 FROM accounts WHERE issuer = ? AND subject = ?", (ISSUER, SUBJECT)).fetchone() is None:
        keep_account(db, KeepAccount(account=ACCOUNT, what="account.emergency", actor=command.actor, at=command.at))
    number = int(
        db.insert(
            "INSERT INTO envelopes (digest, sealed_by, sealed_at, opened_by, opened_why, looked_by, looked_why)"
            " VALUES (?,?,?,'','','','')",
            (command.digest, command.actor.name, when(command.at)),
        )
    )
    note(db, command.at, command.actor, "envelope.sealed", f"envelope:{number}", Change(reason=command.reason))
    return number


def open_envelope(db: Db, command: OpenEnvelope) -> None:
    """Spend the newest envelope. Raises RefusedAction where it is another one, or spent."""
    db.hold(HELD)
    row = db.execute(NEWEST).fetchone()
    envelope = envelope_of(row) if row else None
    if envelope is None or envelope.digest != command.digest or envelope.opened_at is not None:
        raise RefusedAction(NOT_RIGHT)
    opens = command.opens
    open_session(db, opens)
    at = opens.session.opened_at
    db.execute(
        "UPDATE envelopes SET opened_by = ?, opened_at = ?, opened_why = ? WHERE id = ?",
        (command.by, when(at), command.why, envelope.envelope_id),
    )
    change = Change(after=command.by, reason=command.why)
    note(db, at, opens.actor, "envelope.opened", f"envelope:{envelope.envelope_id}", change)


def look_into_envelope(db: Db, command: LookIntoEnvelope) -> None:
    """Keep that somebody looked into an opening. Raises Overtaken where nobody can any more, RefusedAction where it is their own."""
    db.hold(HELD)
    row = db.execute(ONE, (command.envelope_id,)).fetchone()
    envelope = envelope_of(row) if row else None
    if envelope is None or not envelope.asks_for_a_look:
        raise Overtaken(first_said(envelope.looked_by if envelope else "", NO_LOOK))
    fault = look_fault(envelope, command.actor)
    if fault:
        raise RefusedAction(fault)
    db.execute(
        "UPDATE envelopes SET looked_by = ?, looked_at = ?, looked_why = ? WHERE id = ?",
        (command.actor.name, when(command.at), command.reason, command.envelope_id),
    )
    note(db, command.at, command.actor, "envelope.looked_into", f"envelope:{command.envelope_id}", Change(reason=command.reason))
