"""Containers of strips: entered as they are opened, taken out of use, and what that does to gates and to strips that are held."""

from __future__ import annotations

from datetime import datetime, timedelta

from bridge.bench.containers import ContainerEnd
from bridge.bench.controls import RunVerdict
from bridge.bench.gate import BegunAnew, Cause, Gate, GateKey, at_time
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.store.apply_gate import judge_again, say_of_gate
from bridge.store.codec import json_text, when
from bridge.store.commands import CloseContainer, OpenContainer, SayOfGate
from bridge.store.database import Db
from bridge.store.gate_codec import gate_of
from bridge.store.statements import Change, note
from bridge.tables.control_table import GatePolicy

NEWS = "containers"  # the name by which other processes hear that what they keep of containers is old
ENTERED = "container entered"  # why a strip that was held is judged again
ONLY_UNKNOWN = json_text(["container.unknown"])  # the rules of a stop that an entered container may end
SAME_DAY = timedelta(days=1)  # ours: no strip of the day of opening is left out, whatever the zone
_OF_KEY = "analyzer = ? AND strip_type = ? AND strip_lot = ?"


def other_day(lot: str, known: str) -> str:
    """Say that a lot has another last day already."""
    return f"Lot {lot} is entered with the last day {known}. Compare the labels. If that one was typed wrong, take it out of use as a mistake first."


def open_container(db: Db, command: OpenContainer) -> int:
    """Keep a container; controls come due for it. Raises RefusedAction where its lot has another last day."""
    db.hold(NEWS)
    known = db.execute(
        "SELECT expires FROM containers WHERE strip_type = ? AND strip_lot = ? AND closed_how <> ? AND expires <> ? ORDER BY id LIMIT 1",
        (command.strip_type, command.strip_lot, ContainerEnd.MISTAKE, command.expires.isoformat()),
    ).fetchone()
    if known is not None:
        raise RefusedAction(other_day(command.strip_lot, known[0]))
    new = db.insert(
        "INSERT INTO containers (analyzer, strip_type, strip_lot, expires, opened_at, entered_by, entered_at, closed_by, closed_how)"
        " VALUES (?,?,?,?,?,?,?,'','')",
        (
            command.analyzer, command.strip_type, command.strip_lot, command.expires.isoformat(), when(command.opened_at), command.actor.name,
            when(command.at),
        ),
    )  # fmt: skip
    container_id = int(new)
    note(db, command.at, command.actor, "container.opened", f"container:{container_id}", Change(after="in use"))
    if command.policy is not None:
        _ask_for_controls(db, command, command.policy)
    _judge_held_again(db, command)
    db.tell(NEWS)
    return container_id


def close_container(db: Db, command: CloseContainer) -> None:
    """Take a container out of use. Raises Overtaken where it is out already."""
    closed = db.execute(
        "UPDATE containers SET closed_by = ?, closed_at = ?, closed_how = ? WHERE id = ? AND closed_at IS NULL",
        (command.actor.name, when(command.at), command.how, command.container_id),
    ).rowcount
    if not closed:
        raise Overtaken("This container is out of use already. Look at the list again.")
    change = Change(before="in use", after=command.how, reason=command.reason)
    note(db, command.at, command.actor, "container.closed", f"container:{command.container_id}", change)
    db.tell(NEWS)


def keys_of(command: OpenContainer) -> tuple[GateKey, ...]:
    """Give the gates that a container concerns: that of its lot, and that of strips on which the analyzer printed no lot."""
    return tuple(
        GateKey(analyzer=command.analyzer, strip_type=command.strip_type, strip_lot=lot) for lot in (command.strip_lot, "")
    )


def _ask_for_controls(db: Db, command: OpenContainer, policy: GatePolicy) -> None:
    """Let the gates begin anew; a gate of strips without a lot only where there is one."""
    for key in keys_of(command):
        row = db.execute(f"SELECT content FROM gates WHERE {_OF_KEY}", _values(key)).fetchone()
        if row is None and key.strip_lot != command.strip_lot:
            continue
        gate = gate_of(row[0]) if row else Gate()
        if at_time(gate, command.at, policy).state.may_go and policy.levels <= _passed_since(db, key, command.opened_at):
            continue  # the new container has had its controls: it was entered after them
        word = BegunAnew(at=command.at, by=command.actor, cause=Cause.CONTAINER)
        say_of_gate(db, SayOfGate(key=key, word=word, policy=policy))


def _values(key: GateKey) -> tuple[str, str, str]:
    return key.analyzer, key.strip_type, key.strip_lot


def _passed_since(db: Db, key: GateKey, opened_at: datetime) -> frozenset[str]:
    """Give the levels that passed on strips which were read, and arrived, since a container was opened."""
    found = db.execute(
        "SELECT DISTINCT e.level FROM gate_events e JOIN strips s ON s.capture_id = e.capture_id AND s.idx = e.idx AND s.is_newest = 1"
        " WHERE e.analyzer = ? AND e.strip_type = ? AND e.strip_lot = ? AND e.what = ? AND e.at >= ? AND coalesce(s.analyzed_at, s.arrived_at) >= ?",
        (*_values(key), RunVerdict.PASSED, when(opened_at), when(opened_at)),
    )
    return frozenset(level for (level,) in found)


def _judge_held_again(db: Db, command: OpenContainer) -> None:
    """Put to judging what was held for nothing but an unknown container of this lot, in the order in which it was read."""
    held = db.execute(
        "SELECT t.id, s.capture_id, s.idx FROM stops t JOIN strips s ON s.id = t.strip_id WHERE t.state = 'open' AND t.grp = 'held' AND t.rules = ?"
        " AND s.analyzer = ? AND s.strip_type = ? AND (s.strip_lot = ? OR s.strip_lot = '') AND coalesce(s.analyzed_at, s.arrived_at) >= ?"
        f" ORDER BY s.capture_id, s.idx{db.for_update}",
        (ONLY_UNKNOWN, command.analyzer, command.strip_type, command.strip_lot, when(command.opened_at - SAME_DAY)),
    ).fetchall()
    for stop_id, capture_id, index in held:
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ?, closed_reason = ? WHERE id = ?",
            (when(command.at), f"{command.actor.name} ({command.actor.verified})", StopEnd.READ_AGAIN, ENTERED, stop_id),
        )
        change = Change(before="open", after=StopEnd.READ_AGAIN, reason=ENTERED)
        note(db, command.at, command.actor, "stop.closed", f"stop:{stop_id}", change)
        judge_again(db, command.analyzer, capture_id, index, ENTERED)
