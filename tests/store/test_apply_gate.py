"""Gates in the file: what nobody may change, what is done whole or not at all, and what the purge leaves alone. The contract: gate_contract.py."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.bench.controls import RunVerdict
from bridge.lifecycle.states import StopEnd
from bridge.store.commands import EndWaiting, PurgeCaptures
from bridge.store.sqlite import FILE, SqliteStore, connect
from tests.store.gate_contract import Bench
from tests.store.strips import BO, NOW, WAIT, later


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give a bench over a new file."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    yield Bench(store)
    store.close()


@pytest.mark.parametrize("statement", ["UPDATE gate_events SET what = 'passed'", "DELETE FROM gate_events"])
def test_runs_cannot_be_changed(bench: Bench, tmp_path: Path, statement: str) -> None:
    """Every run is kept as it was (42 CFR 493.1105 asks for two years): a failed one cannot be turned into a passed one, or away."""
    bench.control("1", RunVerdict.FAILED)
    connection = connect(tmp_path / FILE)
    with pytest.raises(sqlite3.IntegrityError, match="gate_events are append-only"):
        connection.execute(statement)
    connection.close()


def test_a_control_frees_all_that_waits_or_nothing(bench: Bench, tmp_path: Path) -> None:
    """Where the last of three cannot be put to judging, the gate did not open and the control is not recorded: it is judged again."""
    waiting = [bench.patient(waits=True)[0] for _ in range(3)]
    bench.control("1")
    connection = connect(tmp_path / FILE)
    connection.execute(
        f"CREATE TRIGGER broken BEFORE INSERT ON intake WHEN NEW.capture_id = {waiting[-1]} BEGIN SELECT RAISE(ABORT, 'no'); END"
    )
    with pytest.raises(sqlite3.IntegrityError, match="no"):
        bench.control("2")
    assert (bench.gate.passed, len(bench.store.gate_events())) == (frozenset({"1"}), 1)
    assert [capture for capture, because in bench.waiting_work() if because] == []
    connection.execute("DROP TRIGGER broken")
    connection.close()


def test_what_waits_is_not_purged(bench: Bench) -> None:
    """Nothing is emptied before it went or was given up."""
    capture_id, one = bench.patient(waits=True)
    purge = PurgeCaptures(capture_ids=(capture_id,), results=True, at=later(60) + timedelta(days=90))
    assert bench.store.submit(purge).result(WAIT) == 0
    given_up = EndWaiting(strip_id=one.strip_id, end=StopEnd.DISCARDED, actor=BO, reason="r", accept_rules=frozenset(), at=NOW)
    bench.store.submit(given_up).result(WAIT)
    assert bench.store.submit(purge).result(WAIT) == 2
