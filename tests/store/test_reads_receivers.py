"""How results flow to receivers, told from the newest tries; the contract tests what else is asked."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from bridge.model import Answer
from bridge.store import reads_receivers
from bridge.store.rows import FlowRow
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=lambda: s.later(60))
    yield opened
    opened.close()


def tried(store: SqliteStore, delivery_id: int, answer: Answer, code: str, at: datetime) -> None:
    """Try once, and answer at once."""
    s.end(store, delivery_id, s.begin(store, delivery_id, at=at), answer, code, at=at)


def flow(store: SqliteStore, name: str = "records", *, since: float) -> FlowRow:
    (row,) = store.flows((name,), since=s.later(since))
    return row


def test_the_last_answer_and_what_was_received_since(store: SqliteStore) -> None:
    """One result counts once, however many tries; another receiver's do not count."""
    for number, (code, answer) in enumerate((("AA", Answer.ACCEPTED), ("AA", Answer.ACCEPTED), ("AE", Answer.REFUSED))):
        made = s.post(store, f"R{number}", destinations=("records", "chart"), patient=f"47{number}")
        tried(store, made.delivery_ids[0], answer, code, s.later(number * 10))
    assert flow(store, since=0) == FlowRow(
        destination="records", last_code="AE", last_at=s.later(20), received=2, is_at_least=False
    )
    assert flow(store, since=5).received == 1
    assert flow(store, "chart", since=0) == FlowRow(
        destination="chart", last_code="", last_at=None, received=0, is_at_least=False
    )
    assert store.flows((), since=s.NOW) == ()


def test_what_lies_behind_the_window_is_not_guessed(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a window of two tries three in the hour are "at least two"; a receiver whose tries are older tells its last receipt."""
    monkeypatch.setattr(reads_receivers, "WINDOW", 2)
    old = s.post(store, "R9", destinations=("chart",), patient="479")
    tried(store, old.delivery_ids[0], Answer.ACCEPTED, "AA", s.later(-90))
    for number in range(3):
        made = s.post(store, f"R{number}", destinations=("records",), patient=f"47{number}")
        tried(store, made.delivery_ids[0], Answer.ACCEPTED, "AA", s.later(number))
    assert flow(store, since=-30) == FlowRow(
        destination="records", last_code="AA", last_at=s.later(2), received=2, is_at_least=True
    )
    assert flow(store, "chart", since=-30).last_at == s.later(-90)


def test_numbers_that_no_try_has_make_the_window_no_smaller(
    store: SqliteStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A server passes over the numbers of what it took back: three tries and a hole are still three tries, and "at least two" of them."""
    monkeypatch.setattr(reads_receivers, "WINDOW", 2)
    for number in range(4):
        made = s.post(store, f"R{number}", destinations=("records",), patient=f"47{number}")
        tried(store, made.delivery_ids[0], Answer.ACCEPTED, "AA", s.later(number))
    with closing(sqlite3.connect(tmp_path / "store" / FILE)) as beside, beside:
        beside.execute("DELETE FROM attempts WHERE id = (SELECT max(id) - 1 FROM attempts)")
    assert (flow(store, since=-30).received, flow(store, since=-30).is_at_least) == (2, True)
