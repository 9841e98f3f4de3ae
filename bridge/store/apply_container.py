"""Containers of strips and their lots: entered, taken out of use, accepted, and what that does to gates and to strips that are held."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.bench.containers import ContainerEnd
from bridge.bench.controls import RunVerdict
from bridge.bench.gate import BegunAnew, Cause, Gate, GateKey, at_time, set_right
from bridge.errors import RefusedAction
from bridge.identity.person import same_person
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor
from bridge.store.apply_gate import judge_again, say_of_gate
from bridge.store.codec import json_text, when
from bridge.store.commands import AcceptLot, CloseContainer, OpenContainer, SayOfGate, SignAcceptedLot, WithdrawLot
from bridge.store.database import Db
from bridge.store.gate_codec import gate_of
from bridge.store.statements import Change, note, overtaken
from bridge.tables.control_table import GatePolicy

NEWS = "containers"  # the name by which other processes hear that what they keep of containers is old
ENTERED = "container entered"  # why a strip that was held is judged again
ACCEPTED = "lot accepted"  # as above
IS_ACCEPTED = "This lot is accepted already. Look at it again."
IS_SIGNED = "Somebody has signed already that this lot is accepted. Look at it again."
SAME_PERSON = "You accepted this lot yourself. A second person looks at the comparison and signs."
IS_NOT_ACCEPTED = "This lot is not accepted any more. Look at it again."
ONLY_UNKNOWN = json_text(["container.unknown"])  # the rules of a stop that an entered container may end
ONLY_NEW_LOT = json_text(["container.new_lot"])  # as above, of a lot that was accepted
SAME_DAY = timedelta(days=1)  # ours: no strip of the day of opening is left out, whatever the zone
_STANDING = "strip_type = ? AND strip_lot = ? AND withdrawn_at IS NULL"
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
        raise overtaken(db, f"container:{command.container_id}", "This container is out of use already. Look at the list again.")
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
        if at_time(set_right(gate, command.at), command.at, policy).state.may_go and policy.levels <= _passed_since(
            db, key, command.opened_at
        ):
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
    where = "s.analyzer = ? AND s.strip_type = ? AND (s.strip_lot = ? OR s.strip_lot = '') AND coalesce(s.analyzed_at, s.arrived_at) >= ?"
    values = (command.analyzer, command.strip_type, command.strip_lot, when(command.opened_at - SAME_DAY))
    free_held(db, HeldStrips(rules=ONLY_UNKNOWN, where=where, values=values), at=command.at, actor=command.actor, because=ENTERED)


@dataclass(frozen=True, kw_only=True, slots=True)
class HeldStrips:
    """Strips (``s``) that meet ``where`` with its ``values``, and that are held for these ``rules`` (as JSON) and no other."""

    rules: str
    where: str
    values: tuple[object, ...]


def free_held(db: Db, held: HeldStrips, *, at: datetime, actor: Actor, because: str) -> None:
    """End the stops of strips that are held so, and judge these again, in the order in which they were read."""
    found = db.execute(
        "SELECT t.id, s.analyzer, s.capture_id, s.idx FROM stops t JOIN strips s ON s.id = t.strip_id"
        f" WHERE t.state = 'open' AND t.grp = 'held' AND t.rules = ? AND {held.where} ORDER BY s.capture_id, s.idx{db.for_update}",
        (held.rules, *held.values),
    ).fetchall()
    for stop_id, analyzer, capture_id, index in found:
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ?, closed_reason = ? WHERE id = ?",
            (when(at), f"{actor.name} ({actor.verified})", StopEnd.READ_AGAIN, because, stop_id),
        )
        change = Change(before="open", after=StopEnd.READ_AGAIN, reason=because)
        note(db, at, actor, "stop.closed", f"stop:{stop_id}", change)
        judge_again(db, analyzer, capture_id, index, because)


# --- lots


def subject_of(strip_type: str, strip_lot: str) -> str:
    """Name a lot of strips as what an event is about."""
    return f"strip_lot:{strip_type} {strip_lot}"


def accept_lot(db: Db, command: AcceptLot) -> None:
    """Keep that a person accepts a lot; a second one has still to sign. Raises Overtaken where somebody has already."""
    db.hold(NEWS)
    of = (command.strip_type, command.strip_lot)
    if db.execute(f"SELECT 1 FROM accepted_lots WHERE {_STANDING}", of).fetchone() is not None:
        raise overtaken(db, subject_of(*of), IS_ACCEPTED)
    db.execute(
        "INSERT INTO accepted_lots (strip_type, strip_lot, accepted_by, accepted_at, reason, signed_by, withdrawn_by) VALUES (?,?,?,?,?,'','')",
        (*of, command.actor.name, when(command.at), command.reason),
    )
    note(db, command.at, command.actor, "strip_lot.accepted", subject_of(*of), Change(after="accepted", reason=command.reason))


def sign_accepted_lot(db: Db, command: SignAcceptedLot) -> None:
    """Sign as a second person that a lot is accepted. Raises RefusedAction for the same person, Overtaken where there is nothing to sign."""
    db.hold(NEWS)
    of = (command.strip_type, command.strip_lot)
    row = db.execute(f"SELECT accepted_by, signed_by FROM accepted_lots WHERE {_STANDING}", of).fetchone()
    if row is None:
        raise overtaken(db, subject_of(*of), IS_NOT_ACCEPTED)
    if row[1]:
        raise overtaken(db, subject_of(*of), IS_SIGNED)
    if same_person(row[0], command.actor.name):
        raise RefusedAction(SAME_PERSON)
    db.execute(
        f"UPDATE accepted_lots SET signed_by = ?, signed_at = ? WHERE {_STANDING}", (command.actor.name, when(command.at), *of)
    )
    note(db, command.at, command.actor, "strip_lot.signed", subject_of(*of), Change(before="accepted", after="signed"))
    where = "s.strip_type = ? AND (s.strip_lot = ? OR s.strip_lot = '')"
    held = HeldStrips(rules=ONLY_NEW_LOT, where=where, values=of)
    free_held(db, held, at=command.at, actor=command.actor, because=ACCEPTED)
    db.tell(NEWS)


def withdraw_lot(db: Db, command: WithdrawLot) -> None:
    """Take back that a lot is accepted. Raises Overtaken where it is not."""
    of = (command.strip_type, command.strip_lot)
    changed = db.execute(
        f"UPDATE accepted_lots SET withdrawn_by = ?, withdrawn_at = ? WHERE {_STANDING}",
        (command.actor.name, when(command.at), *of),
    ).rowcount
    if not changed:
        raise overtaken(db, subject_of(*of), IS_NOT_ACCEPTED)
    change = Change(before="accepted", after="not accepted", reason=command.reason)
    note(db, command.at, command.actor, "strip_lot.withdrawn", subject_of(*of), change)
    db.tell(NEWS)
