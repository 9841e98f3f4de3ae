"""What every store must keep of receivers that people pause, and of what one shift leaves the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from bridge.bench.hand_over import HandOver
from bridge.errors import Overtaken
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import DestinationState
from bridge.store.api import Store
from bridge.store.commands import SetDestination
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

PAUSE = PauseDestination(destination="records", actor=BO, reason="their update, until 11", at=NOW)
RESUME = ResumeDestination(destination="records", actor=EDA, reason="they are back", at=later(30))


class TodayContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_pause_outlives_a_restart_and_is_ended_once(self, opened: Opened) -> None:
        """Who, when and why is kept and in the history; a second pause or end of the same is overtaken."""
        store = opened.store
        store.submit(replace(PAUSE, destination="chart", at=later(1))).result(WAIT)
        store.submit(PAUSE).result(WAIT)
        store = opened.restart()
        kept = Pause(destination="records", by="Bo", at=NOW, reason="their update, until 11")
        assert store.pauses() == (replace(kept, destination="chart", at=later(1)), kept)
        with pytest.raises(Overtaken):
            store.submit(replace(PAUSE, actor=EDA)).result(WAIT)
        assert store.pauses()[1] == kept
        store.submit(RESUME).result(WAIT)
        with pytest.raises(Overtaken):
            store.submit(RESUME).result(WAIT)
        assert [each.destination for each in store.pauses()] == ["chart"]
        assert [(event.what, event.actor, event.reason) for event in store.events("destination:records")] == [
            ("destination.paused", "Bo", "their update, until 11"),
            ("destination.resumed", "Eda", "they are back"),
        ]
        store.submit(replace(PAUSE, at=later(60))).result(WAIT)
        assert store.pauses()[1] == replace(kept, at=later(60))

    def test_a_shut_destination_is_known_by_name(self, opened: Opened) -> None:
        """Only while it is: one that is closed or rests opens by itself, and is not named."""
        store = opened.store
        for name, state in (
            ("records", DestinationState.SHUT),
            ("chart", DestinationState.CLOSED),
            ("archive", DestinationState.SHUT),
        ):
            store.submit(SetDestination(name=name, state=state, reason="its key has run out", at=NOW)).result(WAIT)
        store = opened.restart()
        assert store.shut_destinations() == ("archive", "records")
        store.submit(SetDestination(name="archive", state=DestinationState.OPEN, reason="", at=later(1))).result(WAIT)
        assert store.shut_destinations() == ("records",)

    def test_a_note_stands_until_it_is_closed_by_name(self, opened: Opened) -> None:
        """It is listed for a while after that; its text is in no event, since somebody may write a patient into it."""
        store = opened.store
        first: int = store.submit(LeaveNote(text="Order strips of lot 7", actor=BO, at=NOW)).result(WAIT)
        second: int = store.submit(LeaveNote(text="Run 41 again", actor=EDA, at=later(1))).result(WAIT)
        store.submit(CloseNote(note_id=first, actor=EDA, at=later(9))).result(WAIT)
        store = opened.restart()
        closed = HandOver(note_id=first, text="Order strips of lot 7", by="Bo", at=NOW, closed_by="Eda", closed_at=later(9))
        stands = HandOver(note_id=second, text="Run 41 again", by="Eda", at=later(1))
        assert store.hand_over(since=later(9)) == (closed, stands)
        assert store.hand_over(since=later(10)) == (stands,)
        for gone in (first, 99):
            with pytest.raises(Overtaken):
                store.submit(CloseNote(note_id=gone, actor=BO, at=later(10))).result(WAIT)
        told = store.events(f"note:{first}")
        assert [(event.what, event.actor, event.reason) for event in told] == [
            ("note.left", "Bo", ""),
            ("note.closed", "Eda", ""),
        ]
