"""Each command in the transaction, with the events that it leaves; the contract says what it does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from bridge.model import Answer, DeliveryState
from bridge.store.apply import apply, recover
from bridge.store.commands import KeepCapture, KeepRun, KeepTables
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s

D = DeliveryState


@dataclass(frozen=True)
class _Foreign:
    """No command."""


def test_a_foreign_value_is_no_command(store: SqliteStore) -> None:
    """It is told to the one who submitted it; the store goes on."""
    with pytest.raises(KeyError):
        store.submit(_Foreign()).result(s.WAIT)  # type: ignore[arg-type]  # that is what must fail
    assert s.keep(store) == 1


def test_a_run_of_captures_is_kept_whole_or_not_at_all(store: SqliteStore, file: SqliteDb) -> None:
    """What came together over one line stays in its order; where one cannot be kept none is, so that a later one never stands before it."""
    good = tuple(s.capture(payload) for payload in (b"one", b"two", b"three"))
    ids = store.submit(KeepRun(captures=good, analyzer="brook-1", profile="brook")).result(s.WAIT)
    assert [store.capture(number).capture.payload for number in ids] == [b"one", b"two", b"three"]
    assert list(ids) == sorted(ids)
    bad = (s.capture(b"four"), replace(s.capture(b"five"), name=object()))  # type: ignore[arg-type]  # no column takes it
    with pytest.raises(Exception, match=r"type 'object' is not supported"):
        store.submit(KeepRun(captures=bad, analyzer="brook-1", profile="brook")).result(s.WAIT)
    assert file.execute("SELECT count(*) FROM captures").fetchone() == (3,)
    assert file.execute("SELECT count(*) FROM intake").fetchone() == (3,)


def test_a_delivery_leaves_its_whole_way_in_events(store: SqliteStore) -> None:
    """Made, begun, answered, restarted, begun, refused: each with the state before and after and the answer's code."""
    (number,) = s.post(store, "R1").delivery_ids
    s.attempt(store, number, Answer.TRY_AGAIN, "timeout", due_at=s.later(1))
    s.attempt(store, number, Answer.REFUSED, "AE 204", at=s.later(2))
    told = [(event.what, event.before, event.after, event.reason) for event in store.events(f"delivery:{number}")]
    assert told == [
        ("delivery.made", "", "queued", ""),
        ("delivery.begin", "queued", "sending", ""),
        ("delivery.try_again", "sending", "retrying", "timeout"),
        ("delivery.begin", "retrying", "sending", ""),
        ("delivery.refuse", "sending", "refused", "AE 204"),
    ]


def test_events_hold_no_patient_and_no_words_of_a_receiver(store: SqliteStore, file: SqliteDb) -> None:
    """History is kept longer and shown wider than results: identifiers and answers' texts are not in it."""
    recorded = s.post(store, "R1", patient="40718823")
    s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED, "AE 204")
    of = s.reading("2", patient="40718831")
    s.record(store, of, s.held(of))
    text = repr(file.execute("SELECT * FROM events").fetchall())
    assert "stop.opened" in text
    for never in ("40718823", "40718831", "words of", "OP7"):
        assert never not in text


def test_recovery_touches_only_what_was_being_sent(store: SqliteStore, file: SqliteDb) -> None:
    """A crash in the middle of a try: due at once, its try ended as unknown; a second recovery finds nothing to do."""
    one, two = (s.post(store, name, patient=name).delivery_ids[0] for name in ("A", "B"))
    s.attempt(store, two, Answer.TRY_AGAIN, "timeout", due_at=s.later(9))
    assert s.begin(store, one)
    for _ in range(2):
        recover(file, s.later(5))
    rows = file.execute("SELECT id, state, due_at FROM deliveries ORDER BY id").fetchall()
    assert rows == [(one, "retrying", "2026-11-25T10:05:00.000000Z"), (two, "retrying", "2026-11-25T10:09:00.000000Z")]
    tries = file.execute("SELECT delivery_id, ended_at, code FROM attempts ORDER BY id").fetchall()
    assert tries == [(two, "2026-11-25T10:00:00.000000Z", "timeout"), (one, "2026-11-25T10:05:00.000000Z", "unknown")]
    assert [event.what for event in store.events(f"delivery:{one}")] == ["delivery.made", "delivery.begin", "delivery.recover"]


def test_a_table_set_that_an_early_build_kept_by_name_gets_its_content(store: SqliteStore, file: SqliteDb) -> None:
    """The first builds kept the digest in place of the tables: at the next start the content comes in."""
    content = b'{"catalogue":{}}'
    digest = s.digest_of(content)
    file.execute("INSERT INTO table_sets (digest, content, at) VALUES (?, ?, 'x')", (digest, b"short"))
    store.submit(KeepTables(digest=digest, content=content, at=s.NOW)).result(s.WAIT)
    assert store.table_set(digest) == content


def test_large_tables_are_kept_small(store: SqliteStore, file: SqliteDb) -> None:
    """Compressed as payloads are."""
    content = b'{"label":"GLU"}' * 10_000
    store.submit(KeepTables(digest=s.digest_of(content), content=content, at=s.NOW)).result(s.WAIT)
    assert file.execute("SELECT length(content) < 2000 FROM table_sets").fetchone() == (1,)


def test_a_command_can_be_done_on_any_connection(file: SqliteDb) -> None:
    """Commands know nothing of the writer: they are plain SQL in whatever transaction they are given."""
    file.execute("BEGIN")
    assert apply(file, KeepCapture(capture=s.capture(), analyzer="a", profile="p")) == 1
    file.execute("ROLLBACK")
    assert file.execute("SELECT count(*) FROM captures").fetchone() == (0,)


def test_a_start_asks_for_what_was_being_sent_and_walks_through_nothing_else(file: SqliteDb) -> None:
    """Deliveries of all years are many; two seconds of a start went into them."""
    said: list[str] = []
    file.set_trace_callback(said.append)
    recover(file, s.NOW)
    file.set_trace_callback(None)
    (plan,) = file.execute(f"EXPLAIN QUERY PLAN {said[0]}").fetchall()
    assert "INDEX deliveries_sending" in plan[3]
