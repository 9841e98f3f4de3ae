"""What an act would submit, by the act's own checks; nothing reaches the store."""

from __future__ import annotations

import pytest

from bridge.desk.foresight import intended
from bridge.errors import RefusedAction
from bridge.lifecycle.states import StopEnd, StopState
from bridge.model import Actor
from bridge.store.commands import CloseStop
from tests.pages.stocked import NOW, Stocked

ANA = Actor(name="Ana", verified="unverified")


def test_an_act_is_heard_and_not_done(shelf: Stocked) -> None:
    """The very command that the act would submit; the row stays open and its history as it was."""
    stop_id = shelf.held()
    before = shelf.store.events(f"stop:{stop_id}")
    command = intended(shelf.store, shelf.desk, lambda desk: desk.release(stop_id, reason=" told ", actor=ANA))
    assert command == CloseStop(
        stop_id=stop_id,
        end=StopEnd.RELEASED,
        actor=ANA,
        reason="told",
        at=NOW,
        accept_rules=frozenset({"time.missing"}),
    )
    row = shelf.store.stop(stop_id)
    assert row is not None
    assert row.state is StopState.OPEN
    assert shelf.store.events(f"stop:{stop_id}") == before


def test_what_would_be_refused_is_refused(shelf: Stocked) -> None:
    """In the desk's own words."""
    stop_id = shelf.rejected()
    with pytest.raises(RefusedAction, match="cannot be released"):
        intended(shelf.store, shelf.desk, lambda desk: desk.release(stop_id, reason="r", actor=ANA))
