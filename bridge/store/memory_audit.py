"""The audit trail on the in-memory twin: what people saw, and how it is looked through; nothing is bound, since nobody can change it."""

from __future__ import annotations

from bridge.model import SERVICE
from bridge.store import commands as c
from bridge.store.apply_audit import ASKED, OF_RESULT, SEEN, WALKED, verified_change
from bridge.store.audit_commands import NoteVerified
from bridge.store.memory_rows import State
from bridge.store.rows import AuditRow, AuditSearch, Verified
from bridge.store.statements import Change


def note_sights(state: State, command: c.NoteSights) -> None:
    """Append what people saw; a result is noted as its strip."""
    for sight in command.sights:
        subject = sight.subject
        if subject.startswith(OF_RESULT):
            strips = [strip_id for strip_id, strip in state.strips.items() if f"{OF_RESULT}{strip.row.result_id}" == subject]
            subject = f"strip:{strips[-1]}" if strips else "result"
        change = Change(after=sight.page, reason=sight.address)
        state.note(sight.at, sight.actor, ASKED if sight.is_asked else SEEN, subject, change)


def note_verified(state: State, command: NoteVerified) -> None:
    """Keep what a walk found, and note it."""
    kept = state.verified
    is_as_before = kept is not None and bool(kept.broken) == bool(command.broken)
    since = kept.since if kept is not None and is_as_before else command.at
    state.verified = Verified(at=command.at, since=since, entries=command.entries, events=command.events, broken=command.broken)
    state.note(command.at, SERVICE, WALKED, "history", verified_change(command))


class AuditInMemory:
    """The reads of the audit trail; mixed into the twin."""

    _state: State

    def audit(self, wanted: AuditSearch, *, before: int | None = None, limit: int) -> tuple[AuditRow, ...]:
        """Give events of the audit trail, newest first, from before the event ``before``."""
        subjects = self._subjects(wanted.strip_id) if wanted.strip_id is not None else None
        found = [
            AuditRow(event_id=number, event=event)
            for number, event in enumerate(self._state.events, start=1)
            if (before is None or number < before)
            and wanted.who in ("", event.actor)
            and wanted.what in ("", event.what)
            and (wanted.since is None or event.at >= wanted.since)
            and (wanted.until is None or event.at < wanted.until)
            and (subjects is None or event.subject in subjects)
        ]
        if wanted.strip_id is None and (wanted.who or wanted.what):
            found = [row for row in found if not self._is_of_strips(row)]
        return tuple(reversed(found))[:limit]

    def _is_of_strips(self, row: AuditRow) -> bool:
        """Say whether an event comes with strips: no index leads to it by who or what."""
        event = row.event
        return event.actor == SERVICE.name and event.what not in {"stop.opened", "stop.closed", "destination.state"}

    def _subjects(self, strip_id: int) -> set[str]:
        strip = self._state.strips.get(strip_id)
        if strip is None:
            return set()
        sent = (number for number, each in self._state.sent.items() if each.row.result_id == strip.row.result_id != "")
        stops = (number for number, each in self._state.stops.items() if each.strip_id == strip_id)
        return {
            f"strip:{strip_id}",
            f"capture:{strip.row.capture_id}",
            *(f"delivery:{number}" for number in sent),
            *(f"stop:{number}" for number in stops),
        }

    def verified(self) -> Verified | None:
        """Give what the last walk along every chain found; None before the first."""
        return self._state.verified

    def audit_names(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Give who did or saw something, and what, each in the order of the alphabet."""
        people = [event for event in self._state.events if event.actor != SERVICE.name]
        return tuple(sorted({event.actor for event in people})), tuple(sorted({event.what for event in people}))
