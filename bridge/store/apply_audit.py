"""The audit trail's own commands: what people saw, and the seals."""

from __future__ import annotations

from bridge.store.chain import Head
from bridge.store.codec import microseconds
from bridge.store.commands import NoteSights, SealAudit
from bridge.store.database import Db
from bridge.store.statements import Change, note

SEEN = "seen"  # an event's what: a person saw a page
ASKED = "asked"  # as above: a person asked for something to be done
OF_RESULT = "result:"


def seal_audit(db: Db, command: SealAudit) -> Head | None:
    """Append an entry that names the newest of every writer; give it, None where nothing came since the last one."""
    return db.chain.seal(db, microseconds(command.at))


def note_sights(db: Db, command: NoteSights) -> None:
    """Append what people saw; a result is noted as its strip, which has a number."""
    for sight in command.sights:
        subject = _strip_of(db, sight.subject) if sight.subject.startswith(OF_RESULT) else sight.subject
        note(
            db, sight.at, sight.actor, ASKED if sight.is_asked else SEEN, subject, Change(after=sight.page, reason=sight.address)
        )


def _strip_of(db: Db, subject: str) -> str:
    found = "SELECT strip_id FROM results WHERE result_id = ? ORDER BY version DESC LIMIT 1"
    row = db.execute(found, (subject.removeprefix(OF_RESULT),)).fetchone()
    return f"strip:{row[0]}" if row else "result"
