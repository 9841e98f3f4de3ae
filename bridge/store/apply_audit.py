"""The audit trail's own commands: what people saw, and the seals."""

from __future__ import annotations

from typing import Any, cast

from bridge.model import SERVICE
from bridge.store.audit_commands import NoteVerified
from bridge.store.chain import Head
from bridge.store.codec import json_of, json_text, microseconds, moment, when
from bridge.store.commands import NoteSights, SealAudit
from bridge.store.database import Db
from bridge.store.rows import Verified
from bridge.store.statements import Change, note

SEEN = "seen"  # an event's what: a person saw a page
WALKED = "audit.verified"  # as above: every chain was walked along
VERIFIED = "verified"  # in meta: what the last walk found
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


def note_verified(db: Db, command: NoteVerified) -> None:
    """Keep what a walk along every chain found, and note it."""
    kept = verified_of(db)
    text = json_text(plain_verified(command, kept))
    db.execute(
        "INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", (VERIFIED, text)
    )
    note(db, command.at, SERVICE, WALKED, "history", verified_change(command))


def verified_change(command: NoteVerified) -> Change:
    """Give the event of a walk: what it found, and where."""
    return Change(after="broken" if command.broken else "as it was written", reason=command.broken)


def plain_verified(command: NoteVerified, kept: Verified | None) -> list[object]:
    """Give what is kept of a walk, after the one that was kept before."""
    is_as_before = kept is not None and bool(kept.broken) == bool(command.broken)
    since = kept.since if kept is not None and is_as_before else command.at
    return [when(command.at), when(since), command.entries, command.events, command.broken]


def verified_of(db: Db) -> Verified | None:
    """Give what the last walk found; None before the first."""
    row = db.execute("SELECT value FROM meta WHERE name = ?", (VERIFIED,)).fetchone()
    if row is None:
        return None
    at, since, entries, events, broken = cast("list[Any]", json_of(row[0]))
    return Verified(at=moment(at), since=moment(since), entries=entries, events=events, broken=broken)


def _strip_of(db: Db, subject: str) -> str:
    found = "SELECT strip_id FROM results WHERE result_id = ? ORDER BY version DESC LIMIT 1"
    row = db.execute(found, (subject.removeprefix(OF_RESULT),)).fetchone()
    return f"strip:{row[0]}" if row else "result"
