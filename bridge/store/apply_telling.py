"""Telling somebody of a critical result: a task opens with the outcome of its strip, and people and time move it.

Who changes what a strip said, or of whom it is, calls ``tell_again`` in the same transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.bench.gate import Seat
from bridge.bench.telling import Critical, Said, Task, TellingState, TellingStep, after, changed_step, may, opened
from bridge.errors import Overtaken
from bridge.model import SERVICE, Actor, Coded
from bridge.store.codec import json_text, moment, moment_or_none, when
from bridge.store.commands import RecordOutcome, SayOfTelling
from bridge.store.database import Db
from bridge.store.interned import word_id
from bridge.store.statements import Change, note

GROWN = "Somebody wrote something down here since you opened the page. Look at it again."
OTHER_PATIENT = "the patient ID was corrected"  # why a strip is not any more what was told
OTHER_VALUES = "the strip is read otherwise now"
DISCARDED = "the strip was discarded"
WITHDRAWN = "the result was withdrawn"
IS_COPY = "the strip turned out to be a copy of another"
NOT_MET = "the strip does not meet the rule any more, as it is read now"
TASK = "state, steps, since, turn, turn_at, told_at"
_OF_SEAT = "capture_id = ? AND idx = ?"
# Somebody was told of the same patient and rule: the strip as it stands now must still be that patient's
_WAS_TOLD = (
    "SELECT 1 FROM tellings t JOIN strips s ON s.capture_id = t.capture_id AND s.idx = t.idx AND s.is_newest = 1"
    " WHERE t.rule = ? AND t.state <> 'open' AND t.told_at >= ? AND s.patient_id = ? AND s.outcome <> 'discarded' LIMIT 1"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Why:
    """Why a strip is not any more what somebody was told, who made it so, and when."""

    reason: str
    actor: Actor
    at: datetime


def task_of(row: tuple[str, int, str, int, str, str | None]) -> Task:
    """Give a task from what ``TASK`` selects."""
    state, steps, since, turn, turn_at, told_at = row
    return Task(
        state=TellingState(state),
        steps=steps,
        since=moment(since),
        turn=turn,
        turn_at=moment(turn_at),
        told_at=moment_or_none(told_at),
    )


def open_tellings(db: Db, command: RecordOutcome, *, strip_id: int, before: int | None) -> None:
    """Open a task for each critical rule that a recorded strip meets, and change those of a strip (``before``) that stood in its place.

    A strip that only repeats the bytes of one that is stopped already is the same strip: its tasks are that one's.
    """
    if command.tell is None and before is None:
        return
    own, seat = (command.capture_id, command.reading.index), _seat(db, strip_id)
    own_tasks = _standing(db, own) if before is not None else {}
    known = own_tasks if seat == own else _standing(db, seat)
    for critical in command.tell.met if command.tell else ():
        if critical.rule not in known:
            _open(db, command, seat, critical)
    if before is not None and seat == own:
        _compare(db, command, before, own_tasks)
    elif before is not None:
        tell_again(db, own, Why(reason=IS_COPY, actor=SERVICE, at=command.at))


def tell_again(db: Db, seat: Seat, why: Why) -> None:
    """Have whoever was told of a strip told again, because what was said of it does not stand. Nothing where nobody was to be told of it."""
    for telling_id, _, _, task in _standing(db, seat).values():
        move_telling(db, telling_id, task, Said(step=changed_step(task.state), reason=why.reason), why)


def say_of_telling(db: Db, command: SayOfTelling) -> None:
    """Keep a step. Raises Overtaken where somebody wrote another one down meanwhile, or it may not follow."""
    row = db.execute(f"SELECT {TASK} FROM tellings WHERE id = ?{db.for_update}", (command.telling_id,)).fetchone()
    task = task_of(row) if row else None
    if task is None or task.steps != command.steps or not may(task.state, command.said.step):
        raise Overtaken(GROWN)
    move_telling(db, command.telling_id, task, command.said, Why(reason=command.said.reason, actor=command.actor, at=command.at))


def move_telling(db: Db, telling_id: int, task: Task, said: Said, why: Why) -> None:
    """Move a task and append the step."""
    left = after(task, said, at=why.at)
    db.execute(
        "UPDATE tellings SET state = ?, steps = ?, since = ?, turn = ?, turn_at = ?, told_at = ? WHERE id = ?",
        (str(left.state), left.steps, when(left.since), left.turn, when(left.turn_at), when(left.told_at), telling_id),
    )
    _append(db, telling_id, said, why, Change(before=task.state, after=left.state, reason=said.in_short))


def _append(db: Db, telling_id: int, said: Said, why: Why, change: Change) -> None:
    """Append a step, and the event that binds it into the history."""
    db.execute(
        "INSERT INTO telling_steps (telling_id, at, what, name, role, means, done_at, reason, actor, verified) VALUES (?,?,?,?,?,?,?,?,?,?)",
        (
            telling_id, when(why.at), str(said.step), said.name, said.role, str(said.means or ""), when(said.done_at), said.reason,
            why.actor.name, why.actor.verified,
        ),
    )  # fmt: skip
    note(db, why.at, why.actor, f"telling.{said.step.name.lower()}", f"telling:{telling_id}", change)


def _seat(db: Db, strip_id: int) -> Seat:
    """Give the seat of the strip whose tasks these are: of a copy of what is stopped, that of the stopped one."""
    row = db.execute(
        "SELECT o.capture_id, o.idx FROM strips s JOIN strips o ON o.id = coalesce(s.copy_of, s.id) WHERE s.id = ?", (strip_id,)
    ).fetchone()
    return int(row[0]), int(row[1])


def _standing(db: Db, seat: Seat) -> dict[str, tuple[int, str, str, Task]]:
    """Give the tasks of a strip by rule: id, words, values as JSON, and how it stands."""
    rows = db.execute(f"SELECT rule, id, words, pads, {TASK} FROM tellings WHERE {_OF_SEAT} ORDER BY id{db.for_update}", seat)
    return {rule: (int(number), words, pads, task_of(tuple(task))) for rule, number, words, pads, *task in rows.fetchall()}


def _open(db: Db, command: RecordOutcome, seat: Seat, critical: Critical) -> None:
    task = opened(command.at)
    new = db.insert(
        f"INSERT INTO tellings (capture_id, idx, rule, words, pads, tables, {TASK}) VALUES (?,?,?,?,?,?,?,?,?,?,?,NULL)",
        (
            *seat, critical.rule, critical.text, json_text(critical.values), word_id(db, command.tables_digest), str(task.state), task.steps,
            when(task.since), task.turn, when(task.turn_at),
        ),
    )  # fmt: skip
    telling_id = int(new)
    by_service = Why(reason="", actor=SERVICE, at=command.at)
    _append(db, telling_id, Said(step=TellingStep.OPENED), by_service, Change(after=task.state))
    if _is_repeat(db, command, critical):
        move_telling(db, telling_id, task, Said(step=TellingStep.REPEAT), by_service)


def _is_repeat(db: Db, command: RecordOutcome, critical: Critical) -> bool:
    """Say whether the site wants not to be asked again: only of a strip that goes, since of a stopped one the patient may be another."""
    write, outcome = command.tell, command.outcome
    if write is None or not write.repeat or not isinstance(outcome, Coded) or not outcome.checked.patient_id:
        return False
    since = when(command.at - write.repeat)
    return db.execute(_WAS_TOLD, (critical.rule, since, outcome.checked.patient_id)).fetchone() is not None


def _compare(db: Db, command: RecordOutcome, before: int, standing: dict[str, tuple[int, str, str, Task]]) -> None:
    """Change the tasks of a strip that is judged again, where it is another patient's now or says something else."""
    (patient,) = db.execute("SELECT patient_id FROM strips WHERE id = ?", (before,)).fetchone()
    checked = command.outcome.checked if command.outcome else None
    is_others = checked is not None and checked.patient_id != patient
    met = {each.rule: each for each in (command.tell.met if command.tell else ())}
    for rule, (telling_id, words, pads, task) in standing.items():
        now = met.get(rule)
        if now is None:
            reason = NOT_MET
        elif (now.text, json_text(now.values)) != (words, pads):
            reason = OTHER_VALUES
            db.execute(
                "UPDATE tellings SET words = ?, pads = ?, tables = ? WHERE id = ?",
                (now.text, json_text(now.values), word_id(db, command.tables_digest), telling_id),
            )
        elif is_others:
            reason = OTHER_PATIENT
        else:
            continue
        why = Why(reason=reason, actor=SERVICE, at=command.at)
        move_telling(db, telling_id, task, Said(step=changed_step(task.state), reason=reason), why)
