"""Signals: what a look found, what is said of them by which way, and what people do about them."""

from __future__ import annotations

from datetime import datetime

from bridge.errors import Overtaken, RefusedAction
from bridge.model import SERVICE
from bridge.signals.kinds import WITHOUT_DELAY
from bridge.signals.machine import MAY_ACKNOWLEDGE, Signal, SignalState, What, acknowledged
from bridge.store import commands as c
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.rows import SayState
from bridge.store.signal_codec import COLUMNS, content_of, signal_of
from bridge.store.statements import Change, note, overtaken

HELD = "signals"  # what whoever changes signals holds: a look and a person never change one at the same time
NOT_ANY_MORE = "Somebody has acknowledged this signal already, or it is over. Look at the page again."
NOT_IN_PASSING = "This is not taken in hand in passing: somebody else than who it concerns looks into it, and says on its own page what they found."
NO_SIGNAL = "There is no such signal. Look at the page again."


def keep_signals(db: Db, command: c.KeepSignals) -> tuple[int, ...]:
    """Keep signals as a look left them; give their ids, 0 for one that was changed meanwhile."""
    db.hold(HELD)
    return tuple(_keep(db, signal, says, command.at) for signal, says in command.signals)


def _keep(db: Db, signal: Signal, says: tuple[c.NewSay, ...], at: datetime) -> int:
    signal_id = signal.signal_id
    before = ""
    if not signal_id:
        if db.execute("SELECT 1 FROM signals WHERE kind = ? AND state <> 'ended'", (signal.kind,)).fetchone():
            return 0
        signal_id = _new(db, signal)
    else:
        found = db.execute("SELECT state FROM signals WHERE id = ? AND version = ?", (signal_id, signal.version)).fetchone()
        if found is None:
            return 0
        before = found[0]
        _write(db, signal)
    if before != signal.state:
        note(db, at, SERVICE, "signal.moved", f"signal:{signal_id}", Change(before=before, after=signal.state))
    for say in says:
        _put(db, signal_id, say, at)
    if signal.state is SignalState.ENDED:
        _drop(db, "signal_id = ? AND what <> 'ended'", (signal_id,), at)
    return signal_id


def _new(db: Db, signal: Signal) -> int:
    new = db.insert(
        "INSERT INTO signals (kind, state, content, since, opened_at, said_at, acknowledged_by, acknowledged_at, version)"
        " VALUES (?,?,?,?,?,?,?,?,1)",
        (
            signal.kind, signal.state, content_of(signal), when(signal.since), when(signal.opened_at), when(signal.said_at),
            signal.acknowledged_by, when(signal.acknowledged_at),
        ),
    )  # fmt: skip
    return int(new)


def _write(db: Db, signal: Signal) -> None:
    db.execute(
        "UPDATE signals SET state = ?, content = ?, since = ?, said_at = ?, acknowledged_by = ?, acknowledged_at = ?, version = version + 1"
        " WHERE id = ?",
        (
            signal.state, content_of(signal), when(signal.since), when(signal.said_at), signal.acknowledged_by,
            when(signal.acknowledged_at), signal.signal_id,
        ),
    )  # fmt: skip


def _put(db: Db, signal_id: int, say: c.NewSay, at: datetime) -> None:
    """Put something to be said in the place of what the same way has not said yet of the signal."""
    _drop(db, "signal_id = ? AND way = ?", (signal_id, say.way), at)
    if say.what is What.ENDED:
        told = "SELECT 1 FROM signal_says WHERE signal_id = ? AND way = ? AND state = 'said'"
        if db.execute(told, (signal_id, say.way)).fetchone() is None:
            return
    db.execute(
        "INSERT INTO signal_says (signal_id, way, what, headline, text, at, state, due_at, tries, fault, actor) VALUES (?,?,?,?,?,?,'due',?,0,'','')",
        (signal_id, say.way, say.what, say.headline, say.text, when(at), when(say.due_at)),
    )


def _drop(db: Db, which: str, values: tuple[object, ...], at: datetime) -> None:
    db.execute(
        f"UPDATE signal_says SET state = '{SayState.DROPPED}', ended_at = ? WHERE state = 'due' AND {which}", (when(at), *values)
    )


def note_said(db: Db, command: c.NoteSaid) -> None:
    """Note what came of a try; what was dropped meanwhile stays so, unless it was said."""
    state = SayState.DUE if command.due_at else SayState.GIVEN_UP
    if not command.fault:
        state = SayState.SAID
    db.execute(
        "UPDATE signal_says SET state = ?, tries = tries + 1, fault = ?, due_at = ?, ended_at = ? WHERE id = ? AND (state = 'due' OR ? = 'said')",
        (
            state, command.fault, when(command.due_at), None if state is SayState.DUE else when(command.at), command.say_id, state,
        ),
    )  # fmt: skip


def keep_test(db: Db, command: c.KeepTest) -> int:
    """Keep what came of a test; give its id."""
    state = SayState.GIVEN_UP if command.fault else SayState.SAID
    new = db.insert(
        "INSERT INTO signal_says (way, what, headline, text, at, state, tries, ended_at, fault, actor) VALUES (?,'test',?,'',?,?,1,?,?,?)",
        (command.way, command.headline, when(command.at), state, when(command.at), command.fault, command.actor.name),
    )
    return int(new)


def acknowledge_signal(db: Db, command: c.AcknowledgeSignal) -> None:
    """Note that a person has a signal in hand. Raises Overtaken where it is acknowledged or ended already."""
    db.hold(HELD)
    row = db.execute(f"SELECT {COLUMNS} FROM signals WHERE id = ?", (command.signal_id,)).fetchone()
    signal = signal_of(row) if row else None
    if signal is None or signal.state not in MAY_ACKNOWLEDGE:
        raise overtaken(db, f"signal:{command.signal_id}", NOT_ANY_MORE)
    if signal.kind in WITHOUT_DELAY:
        raise RefusedAction(NOT_IN_PASSING)
    after = acknowledged(signal, by=command.actor.name, at=command.at)
    _write(db, after)
    _drop(db, "signal_id = ?", (command.signal_id,), command.at)
    change = Change(before=signal.state, after=after.state, reason=command.reason)
    note(db, command.at, command.actor, "signal.acknowledged", f"signal:{command.signal_id}", change)


def note_on_signal(db: Db, command: c.NoteOnSignal) -> None:
    """Keep a person's note. Raises Overtaken where there is no such signal."""
    if db.execute("SELECT 1 FROM signals WHERE id = ?", (command.signal_id,)).fetchone() is None:
        raise Overtaken(NO_SIGNAL)
    note(db, command.at, command.actor, "signal.noted", f"signal:{command.signal_id}", Change(reason=command.text))


def mute_signals(db: Db, command: c.MuteSignals) -> None:
    """Say nothing of a kind until then."""
    values = (when(command.until), command.actor.name, command.actor.verified, when(command.at), command.reason)
    db.execute(
        "INSERT INTO signal_mutes (until, actor, verified, at, reason, kind) VALUES (?,?,?,?,?,?) ON CONFLICT (kind) DO UPDATE SET"
        " until = excluded.until, actor = excluded.actor, verified = excluded.verified, at = excluded.at, reason = excluded.reason",
        (*values, command.kind),
    )
    after = "muted" if command.until > command.at else "heard"
    note(db, command.at, command.actor, "signals.muted", f"signals:{command.kind}", Change(after=after, reason=command.reason))
    if after == "muted":
        _drop(db, "signal_id IN (SELECT id FROM signals WHERE kind = ?)", (command.kind,), command.at)
