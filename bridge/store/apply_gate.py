"""What controls, patients' strips and people do to gates, in the transaction that records them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import (
    ControlRead,
    Gate,
    GateEvent,
    GateKey,
    Happening,
    Seat,
    after,
    asks,
    at_time,
    counted,
    counts_again,
    decides,
    may,
    reason_of,
    set_right,
    step,
)
from bridge.bench.look_back import LookBack, look_back_of
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import SERVICE, Actor, Reading, Unreadable, Waiting
from bridge.store.codec import SAME_RECORD, json_text, of_record, when
from bridge.store.commands import EndWaiting, GateWrite, JudgeWaiting, RecordOutcome, SayOfGate
from bridge.store.database import Db
from bridge.store.gate_codec import gate_of, gate_text
from bridge.store.statements import Change, first_said, note, note_terms, overtaken

PASSED = "controls passed"  # why a strip that waited is judged again
NONE_WAITS = "no strip waits any more"  # the site took its policy back, or has another
_OF_KEY = "analyzer = ? AND strip_type = ? AND strip_lot = ?"


def move_gate(db: Db, command: RecordOutcome) -> None:
    """Let a recorded strip move its gate; put what waits to judging again where its gate has opened since it was judged."""
    write = command.gate
    if write is None:
        return
    before = set_right(_held(db, write.key), command.at)
    if isinstance(write.what, ControlRead):
        if counts_again(write.what, _counted_as(db, write, command.reading)):
            _after_control(db, write, counted(before, write.what, write.policy), before)
            for other, stands in _others(db, write, command.at):
                _after_control(db, replace(write, key=other), write.what, stands)
    else:
        if write.counts and write.policy.every_strips is not None:
            _keep(db, write.key, after(before, write.what, write.policy))
        stands = at_time(before, write.what.at, write.policy)
        if isinstance(command.outcome, Waiting) and stands.state.may_go:
            _free(db, write.key)


def _held(db: Db, key: GateKey) -> Gate:
    """Give a gate that nobody else moves meanwhile."""
    db.hold(f"gate:{key.analyzer}")
    row = db.execute(f"SELECT content FROM gates WHERE {_OF_KEY}", _values(key)).fetchone()
    return gate_of(row[0]) if row else Gate()


def _others(db: Db, write: GateWrite, now: datetime) -> list[tuple[GateKey, Gate]]:
    """Give the gates that a control without a lot of strips fails besides: which lot it was of nobody can say, so each that results go through."""
    if not is_of_every_lot(write):
        return []
    found = "SELECT strip_lot, content FROM gates WHERE analyzer = ? AND strip_type = ? AND strip_lot <> '' ORDER BY strip_lot"
    held = (
        (replace(write.key, strip_lot=lot), gate_of(content))
        for lot, content in db.execute(found, _values(write.key)[:2]).fetchall()
    )
    return [
        (key, set_right(gate, now))
        for key, gate in held
        if at_time(set_right(gate, now), write.what.at, write.policy).state.may_go
    ]


def is_of_every_lot(write: GateWrite) -> bool:
    """Say whether a control failed whose record names no lot of strips."""
    return isinstance(write.what, ControlRead) and write.what.verdict is RunVerdict.FAILED and not write.key.strip_lot


def _values(key: GateKey) -> tuple[str, str, str]:
    return key.analyzer, key.strip_type, key.strip_lot


def _counted_as(db: Db, write: GateWrite, reading: Reading | Unreadable) -> frozenset[RunVerdict]:
    """Give what this very strip has counted as before: when it was read or judged first, or when the same bytes came, whatever became of their row."""
    assert isinstance(write.what, ControlRead)
    seats = {write.what.seat}
    if isinstance(reading, Reading) and is_self_identifying(reading):
        same = db.execute(
            f"SELECT capture_id, idx FROM strips WHERE {SAME_RECORD}", of_record(write.key.analyzer, reading.record_digest)
        )
        seats |= {(capture_id, index) for capture_id, index in same.fetchall()}
    found = "SELECT what FROM gate_events WHERE capture_id = ? AND idx = ? AND what IN ('passed', 'failed')"
    return frozenset(RunVerdict(what) for seat in sorted(seats) for (what,) in db.execute(found, seat).fetchall())


def is_self_identifying(reading: Reading) -> bool:
    """Say whether equal bytes prove the same strip: it carries number and date."""
    return reading.number is not None and reading.printed_date is not None


def _after_control(db: Db, write: GateWrite, run: ControlRead, before: Gate) -> None:
    stands, left = at_time(before, run.at, write.policy), after(before, run, write.policy)
    _keep(db, write.key, left)
    _append(db, write.key, run, stands, left, _Line(what=run.verdict.value, run=write.run, level=run.level))
    look_back = look_back_of(_sets_before(db, write.key, run), run)
    if look_back is not None:
        _list(db, write.key, look_back)
    if left.state.may_go and not stands.state.may_go:
        _free(db, write.key)


def _sets_before(db: Db, key: GateKey, run: ControlRead) -> list[Seat]:
    """Give the strip that completed the last set before a control, if there is one."""
    found = f"SELECT capture_id, idx FROM gate_events WHERE {_OF_KEY} AND decides = 1 AND (capture_id, idx) < (?, ?)"
    rows = db.execute(f"{found} ORDER BY capture_id DESC, idx DESC LIMIT 1", (*_values(key), *run.seat)).fetchall()
    return [(capture_id, index) for capture_id, index in rows]


def _keep(db: Db, key: GateKey, gate: Gate) -> None:
    db.execute(
        "INSERT INTO gates (analyzer, strip_type, strip_lot, content) VALUES (?,?,?,?)"
        " ON CONFLICT (analyzer, strip_type, strip_lot) DO UPDATE SET content = excluded.content",
        (*_values(key), gate_text(gate)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    """What a line of a gate's history says besides where and when: a control's run and level, or a person's name and reason."""

    what: str
    run: str = ""
    level: str = ""
    actor: Actor = SERVICE
    reason: str = ""


def _append(db: Db, key: GateKey, happened: Happening | datetime, before: Gate, left: Gate, line: _Line) -> None:
    at = happened if isinstance(happened, datetime) else happened.at
    seat = happened.seat if isinstance(happened, ControlRead) else (0, 0)
    decided = None if isinstance(happened, datetime) else decides(happened, left)
    db.execute(
        "INSERT INTO gate_events (analyzer, strip_type, strip_lot, at, capture_id, idx, what, before, after, level, decides, run, actor, verified, reason)"
        " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
        (
            *_values(key), when(at), *seat, line.what, before.state, left.state, line.level, None if decided is None else int(decided),
            line.run, line.actor.name, line.actor.verified, line.reason,
        ),
    )  # fmt: skip


def _list(db: Db, key: GateKey, look_back: LookBack) -> None:
    """List every result that left since, once: what an earlier failure listed stays as it is."""
    since = look_back.since or (0, -1)
    db.execute(
        "INSERT INTO look_backs (capture_id, idx, failed_capture_id, failed_idx, verdict, actor, verified, reason)"
        " SELECT capture_id, idx, CAST(? AS BIGINT), CAST(? AS BIGINT), '', '', '', '' FROM strips"
        f" WHERE {_OF_KEY} AND purpose = 'patient' AND outcome = 'coded' AND is_newest = 1"
        " AND (capture_id, idx) > (?, ?) ORDER BY capture_id, idx ON CONFLICT DO NOTHING",
        (*look_back.failed_by, *_values(key), *since),
    )


def _free(db: Db, key: GateKey) -> None:
    """Put what waits for a gate that is open to judging, in the order in which it was read."""
    waiting = f"SELECT capture_id, idx FROM strips WHERE {_OF_KEY} AND outcome = 'waiting' ORDER BY capture_id, idx"
    for capture_id, index in db.execute(waiting, _values(key)).fetchall():
        judge_again(db, key.analyzer, capture_id, index, PASSED)


def judge_again(db: Db, analyzer: str, capture_id: int, index: int, because: str) -> None:
    """Put one strip to judging, unless it is on its way there."""
    if _is_underway(db, analyzer, capture_id, index):
        return
    db.execute(
        "INSERT INTO intake (capture_id, analyzer, only_index, next_index, because) VALUES (?,?,?,?,?)",
        (capture_id, analyzer, index, index, because),
    )
    db.tell(f"analyzer:{analyzer}")


def _is_underway(db: Db, analyzer: str, capture_id: int, index: int) -> bool:
    underway = "SELECT 1 FROM intake WHERE analyzer = ? AND ended_at IS NULL AND capture_id = ? AND only_index = ?"
    return db.execute(underway, (analyzer, capture_id, index)).fetchone() is not None


def shut_all(db: Db, *, at: datetime, reason: str) -> None:
    """Let every gate begin anew: what controls said since is not known. A failure stays one."""
    for analyzer, strip_type, strip_lot, content in db.execute(
        "SELECT analyzer, strip_type, strip_lot, content FROM gates ORDER BY analyzer, strip_type, strip_lot"
    ).fetchall():
        key, before = GateKey(analyzer=analyzer, strip_type=strip_type, strip_lot=strip_lot), gate_of(content)
        left = replace(before, state=step(before.state, GateEvent.BEGIN_ANEW), passed=frozenset(), due_at=None)
        _keep(db, key, left)
        _append(db, key, at, before, left, _Line(what=GateEvent.BEGIN_ANEW.name.lower(), reason=reason))


# --- people


def say_of_gate(db: Db, command: SayOfGate) -> None:
    """Keep a person's word on a gate. Raises Overtaken where its state has no use for it."""
    key, word = command.key, command.word
    before = set_right(_held(db, key), word.at)
    stands = at_time(before, word.at, command.policy)
    if not may(stands.state, asks(word)):
        last = f"SELECT actor FROM gate_events WHERE {_OF_KEY} AND verified <> 'service' ORDER BY id DESC LIMIT 1"
        row = db.execute(last, _values(key)).fetchone()
        raise Overtaken(first_said(row[0] if row else "", "The controls stand otherwise by now. Look at them again."))
    left = after(before, word, command.policy)
    _keep(db, key, left)
    _append(db, key, word, stands, left, _Line(what=asks(word).name.lower(), actor=word.by, reason=reason_of(word)))
    if left.state.may_go and not stands.state.may_go:
        _free(db, key)


def end_waiting(db: Db, command: EndWaiting) -> None:
    """End the waiting of one strip. Raises Overtaken where it does not wait, or is being judged again."""
    row = db.execute(
        f"SELECT capture_id, idx, analyzer, record_digest FROM strips WHERE id = ? AND outcome = 'waiting'{db.for_update}",
        (command.strip_id,),
    ).fetchone()
    if row is None:
        raise overtaken(db, f"strip:{command.strip_id}", "This strip does not wait any more. Look at the list again.")
    capture_id, index, analyzer, digest = row
    db.hold(f"gate:{analyzer}")
    if _is_underway(db, analyzer, capture_id, index):
        raise overtaken(db, f"strip:{command.strip_id}", "This strip is on its way already. Look at the list again.")
    if command.end is StopEnd.RELEASED:
        db.execute(
            "INSERT INTO decisions (capture_id, idx, patient_id, rules, actor, verified, at, record_digest) VALUES (?,?,'',?,?,?,?,?)",
            (
                capture_id, index, json_text(sorted(command.accept_rules)), command.actor.name, command.actor.verified, when(command.at), digest,
            ),
        )  # fmt: skip
        judge_again(db, analyzer, capture_id, index, command.end)
    else:
        db.execute("UPDATE strips SET outcome = 'discarded' WHERE id = ?", (command.strip_id,))
    _note(db, command.at, command.actor, f"strip:{command.strip_id}", command.end, command.reason)
    note_terms(db, command, f"strip:{command.strip_id}")


def judge_waiting(db: Db, _: JudgeWaiting) -> int:
    """Put every strip that waits to judging, an analyzer's in the order in which they were read."""
    waiting = "SELECT analyzer, capture_id, idx FROM strips WHERE outcome = 'waiting' ORDER BY analyzer, capture_id, idx"
    found = db.execute(waiting).fetchall()
    for analyzer in sorted({analyzer for analyzer, _, _ in found}):
        db.hold(f"gate:{analyzer}")
    for analyzer, capture_id, index in found:
        judge_again(db, analyzer, capture_id, index, NONE_WAITS)
    return len(found)


def _note(db: Db, at: datetime, actor: Actor, subject: str, end: StopEnd, reason: str) -> None:
    note(db, at, actor, f"strip.{end.name.lower()}", subject, Change(before="waiting", after=end, reason=reason))
