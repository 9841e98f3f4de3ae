"""Pausing, resuming, leaving notes: by name, with a reason, and nothing kept where that is missing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.desk.day import DayDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.pauses import Pause
from bridge.model import Actor
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import PatientIdPolicy
from tests.store.strips import BO, EDA, NOW

NOBODY = Actor(name=" ", verified="unverified")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    made = SqliteStore(tmp_path / "store", now=lambda: NOW)
    yield made
    made.close()


@pytest.fixture
def desk(store: SqliteStore) -> DayDesk:
    return DayDesk(store, lambda: NOW, destinations=("records",))


def test_a_receiver_is_paused_by_name_with_a_reason(store: SqliteStore, desk: DayDesk) -> None:
    """And only one of the settings; without blanks around."""
    for destination, reason, actor, said in (
        ("records", "update", NOBODY, "who you are"),
        ("records", " ", BO, "reason"),
        ("attic", "update", BO, "no such receiver"),
    ):
        with pytest.raises(RefusedAction, match=said):
            desk.pause(destination, reason=reason, actor=actor)
    assert store.pauses() == ()
    desk.pause("records", reason=" update ", actor=Actor(name=" Bo ", verified="unverified"))
    assert store.pauses() == (Pause(destination="records", by="Bo", at=NOW, reason="update"),)
    for reason, actor in (("back", NOBODY), ("", EDA)):
        with pytest.raises(RefusedAction):
            desk.resume("records", reason=reason, actor=actor)
    desk.resume("records", reason="back", actor=EDA)
    assert store.pauses() == ()
    with pytest.raises(Overtaken):
        desk.resume("records", reason="back", actor=EDA)


def test_a_note_is_left_and_closed_by_name(store: SqliteStore, desk: DayDesk) -> None:
    """What cannot be kept is told in words."""
    for text, actor in (("Run 41 again", NOBODY), (" ", BO), ("x" * 301, BO)):
        with pytest.raises(RefusedAction):
            desk.leave(text, actor=actor)
    careful = DayDesk(store, lambda: NOW, destinations=(), ids=PatientIdPolicy(pattern=r"\d{8}", check_digit="", denied=frozenset(), denied_patterns=()))  # fmt: skip
    with pytest.raises(RefusedAction, match="looks like a patient ID"):
        careful.leave("Ask for 40700007", actor=BO)
    note = desk.leave(" Run 41 again ", actor=BO)
    assert [each.text for each in store.hand_over(since=NOW)] == ["Run 41 again"]
    with pytest.raises(RefusedAction):
        desk.close(note, actor=NOBODY)
    desk.close(note, actor=EDA)
    assert [each.closed_by for each in store.hand_over(since=NOW)] == ["Eda"]
