"""What nobody may change of a task's history, what the purge takes of it, and the seam for corrections. The contract: telling_contract.py."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded
from bridge.store.apply_telling import Why, tell_again
from bridge.store.commands import PurgeCaptures, PurgeEvents
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import EDA, NOW, WAIT, later
from tests.store.telling_contract import ONCE, READ_BACK, say, steps_of, told


def purge(store: SqliteStore, capture_id: int) -> None:
    store.submit(PurgeCaptures(capture_ids=(capture_id,), results=True, at=later(60))).result(WAIT)


def test_a_step_stays_as_it_was_written(file: SqliteDb) -> None:
    """HZ-I01: in the file itself; only its free text may be emptied, which is what the purge does."""
    file.execute(
        "INSERT INTO telling_steps (telling_id, at, what, name, role, means, reason, actor, verified) VALUES (1,'x','told','N','r','m','why','Bo','u')"
    )
    for change in ("name = 'Other'", "what = 'closed'", "done_at = 'y'", "reason = 'other'", "reason = '', actor = 'Eda'"):
        with pytest.raises(sqlite3.IntegrityError, match="telling_steps are append-only"):
            file.execute(f"UPDATE telling_steps SET {change}")
    with pytest.raises(sqlite3.IntegrityError, match="telling_steps are append-only"):
        file.execute("DELETE FROM telling_steps")
    file.execute("UPDATE telling_steps SET reason = ''")
    assert file.execute("SELECT what, name, reason, actor FROM telling_steps").fetchall() == [("told", "N", "", "Bo")]


def test_a_strip_has_one_task_a_rule_in_the_file_too(file: SqliteDb) -> None:
    """Whatever two processes do at once."""
    insert = "INSERT INTO tellings (capture_id, idx, rule, words, pads, tables, state, steps, since, turn, turn_at) VALUES (1,0,?,'','',1,'open',1,'x',0,'x')"
    file.execute(insert, ("sugar",))
    file.execute(insert, ("acid",))
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        file.execute(insert, ("sugar",))


def test_the_purge_waits_for_what_is_to_be_told_and_leaves_who_was(store: SqliteStore) -> None:
    """A result that nobody was told of yet is not over. Then its values and free texts go; who told whom, when and how stays."""
    of, made = s.reading("7"), s.result("R1")
    going = s.delivery(s.message(made, "R1rec"))
    recorded = s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=[going], tell=ONCE)
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    (task,) = store.tellings_open()
    purge(store, task.strip.capture_id)
    assert store.tellings_open() == (task,)
    say(store, task, replace(READ_BACK, reason="4711 is in the day room"))
    (task,) = store.tellings_open()
    say(store, task, replace(READ_BACK, step=READ_BACK.step))
    (task,) = store.tellings_open()
    told(store)
    purge(store, task.strip.capture_id)
    (left,) = store.tellings_closed()
    assert (left.critical.values, left.critical.rule, left.strip.patient_id) == ((), "sugar-ketones", "")
    assert [each.said.reason for each in left.history] == [""] * len(left.history)
    assert {(each.said.name, each.said.role) for each in left.history if each.said.step == READ_BACK.step} == {
        ("N. Ito", "nurse")
    }


def test_who_corrects_or_withdraws_has_it_told_again(file: SqliteDb, store: SqliteStore) -> None:
    """HZ-I01: the seam for corrections: by their reason and name, in their transaction; a strip without a task is nobody's news."""
    of = s.reading("7")
    first = s.record(store, of, s.held(of), tell=ONCE)
    told(store)
    store.close()
    seat = file.execute("SELECT capture_id, idx FROM strips WHERE id = ?", (first.strip_id,)).fetchone()
    for at in (tuple(seat), (99, 0)):
        tell_again(file, at, Why(reason="withdrawn: wrong patient", actor=EDA, at=NOW))
    found = file.execute("SELECT what, reason, actor FROM telling_steps ORDER BY id DESC LIMIT 1").fetchone()
    assert tuple(found) == ("to be told again", "withdrawn: wrong patient", "Eda")
    assert file.execute("SELECT state, told_at FROM tellings").fetchall() == [("open", None)]


def test_a_recut_strip_is_another_interpretation(store: SqliteStore) -> None:
    """A strip that a person discarded is settled; one that is read again keeps its one task."""
    of = s.reading("7")
    first = s.record(store, of, s.held(of), tell=ONCE)
    assert first.stop_id is not None
    s.close(store, first.stop_id, StopEnd.READ_AGAIN)
    work = store.next_intake("brook-1")
    assert work is not None
    s.record(store, s.unreadable(), None, capture_id=work.capture_id)
    (task,) = store.tellings_open()
    assert (task.strip.outcome, steps_of(task)) == ("unreadable", ["opened", "changed"])


def test_the_history_of_what_is_to_be_told_stays_until_it_is_closed(store: SqliteStore, file: SqliteDb) -> None:
    """Whoever looks at an open task must see what was tried, however old it is."""
    made = s.result("R1")
    going = s.delivery(s.message(made, "R1rec"))
    recorded = s.record(
        store, s.reading("7"), Coded(checked=s.checked(s.reading("7")), result=made), deliveries=[going], tell=ONCE
    )
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)

    def left() -> set[str]:
        ids = tuple(row[0] for row in file.execute("SELECT id FROM events ORDER BY id"))
        store.submit(PurgeEvents(event_ids=ids, before=later(60), at=later(90))).result(WAIT)
        return {row[0] for row in file.execute("SELECT subject FROM history")}

    assert "telling:1" in left()
    told(store)
    assert "telling:1" not in left()
