"""What happens to analyzers: appended, never changed, and what a return and a confirmed strip type do."""

from __future__ import annotations

from bridge.bench.analyzer_life import ASKS_FOR_CONTROLS, Happened, LifeEvent, in_order, may_happen, standing
from bridge.errors import Overtaken
from bridge.model import Actor
from bridge.store.apply_container import HeldStrips, free_held
from bridge.store.apply_day_log import ask_for_controls
from bridge.store.codec import json_text, when
from bridge.store.database import Db
from bridge.store.life_commands import NoteLife
from bridge.store.reads_life import life_of
from bridge.store.statements import Change, first_said, note

OTHERWISE = "This analyzer stands otherwise by now. Look at it again."
AGREED = "analyzer.agreed"
CONFIRMED = "strip type confirmed"  # why a strip that was held is judged again
ONLY_STRIP_TYPE = json_text(["analyzer.strip_type"])


def note_life(db: Db, command: NoteLife) -> int:
    """Append what happened; give its id. Raises Overtaken where it cannot have happened."""
    of: Happened = command.happened
    db.hold(f"life:{of.analyzer}")
    if not may_happen(standing(in_order(life_of(db, of.analyzer)), of.at), of.what):
        last = "SELECT entered_by FROM analyzer_events WHERE analyzer = ? ORDER BY id DESC LIMIT 1"
        row = db.execute(last, (of.analyzer,)).fetchone()
        raise Overtaken(first_said(row[0] if row else "", OTHERWISE))
    new = db.insert(
        "INSERT INTO analyzer_events (analyzer, what, happened_at, text, reason, entered_by, verified, entered_at) VALUES (?,?,?,?,?,?,?,?)",
        (of.analyzer, of.what, when(of.at), of.text, of.reason, command.actor.name, command.actor.verified, when(command.at)),
    )
    event_id = int(new)
    change = Change(after=of.what, reason=of.reason)
    note(db, command.at, command.actor, "analyzer.life", f"analyzer_event:{event_id}", change)
    if command.second:
        agreed = Actor(name=command.second, verified=command.actor.verified)
        note(db, command.at, agreed, AGREED, f"analyzer_event:{event_id}", Change(after=of.what))
    if of.what in ASKS_FOR_CONTROLS:
        ask_for_controls(db, of.analyzer, command.policy, by=command.actor, at=command.at)
    if of.what is LifeEvent.STRIP_TYPE:
        held = HeldStrips(rules=ONLY_STRIP_TYPE, where="s.analyzer = ?", values=(of.analyzer,))
        free_held(db, held, at=command.at, actor=command.actor, because=CONFIRMED)
    return event_id
