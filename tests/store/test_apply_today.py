"""The contract of tests/store/today_contract.py tests this in every store; here stands what only tables show."""

from __future__ import annotations

from pathlib import Path

from bridge.store.sqlite import SqliteStore
from bridge.store.today_commands import LeaveNote
from tests.store.strips import BO, NOW, WAIT
from tests.store.today_contract import PAUSE, RESUME


def test_an_ended_pause_stays_in_its_table(tmp_path: Path) -> None:
    """Who paused and who resumed is kept beside the events, which the site may purge."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    for command in (PAUSE, RESUME, LeaveNote(text="Run 41 again", actor=BO, at=NOW)):
        store.submit(command).result(WAIT)
    rows = store._db().execute("SELECT destination, actor, ended_by, ended_reason FROM pauses").fetchall()
    assert rows == [("records", "Bo", "Eda", "they are back")]
    store.close()
