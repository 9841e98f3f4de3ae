"""How long a process goes on without an answer before another may try; and that it comes to rest where nobody gets through."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

from bridge.lifecycle.answers import Silence, no_answer
from bridge.lifecycle.sharing import share_out
from bridge.model import Acknowledgement, Answer
from bridge.queue.door import Door
from bridge.queue.patience import FIRST_S, LONGEST_S, Patience

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NOBODY = no_answer(Silence.NO_CONNECTION)
TAKEN = Acknowledgement(answer=Answer.ACCEPTED, code="AA", text="")
CLOSED = Acknowledgement(answer=Answer.CLOSED, code="HTTP 401", text="")
RECORDS = "destination:records"


class Knocking:
    """One process at one receiver: its door, its patience, and what it heard at each second."""

    def __init__(self) -> None:
        self.door = Door(first=timedelta(seconds=1), longest=timedelta(minutes=15))
        self.patience = Patience()

    def hears(self, acknowledgement: Acknowledgement, second: float) -> int:
        """Note an answer; give by how many steps the process stands back."""
        self.door.note(acknowledgement, now=NOON + timedelta(seconds=second), jitter=0.0)
        return self.patience.note(self.door, acknowledgement, second)


def test_a_step_is_taken_by_the_try_that_ends_behind_the_patience() -> None:
    """Counted from the first silence; each step asks for twice as long as the one before."""
    mine = Knocking()
    assert [mine.hears(NOBODY, second) for second in (0, 14.9, 15, 44.9, 45, 104.9, 105)] == [0, 0, 1, 1, 2, 2, 3]
    assert FIRST_S == 15


def test_the_longest_step_takes_half_an_hour() -> None:
    """A receiver that is away for days is not passed about more and more seldom for ever."""
    mine, second = Knocking(), 0.0
    taken: list[float] = []
    while len(taken) < 12:
        before = mine.patience.steps
        if mine.hears(NOBODY, second) > before:
            taken.append(second)
        second += 15
    gaps = [after - before for before, after in pairwise(taken)]
    assert gaps == [30, 60, 120, 240, 480, 960, LONGEST_S, LONGEST_S, LONGEST_S, LONGEST_S, LONGEST_S]


def test_an_answer_takes_it_all_back() -> None:
    """Whoever gets through stands as near as anybody, and has its whole patience again."""
    mine = Knocking()
    for second in (0, 15, 45):
        mine.hears(NOBODY, second)
    assert mine.patience.steps == 2
    assert mine.hears(TAKEN, 50) == 0
    assert [mine.hears(NOBODY, second) for second in (51, 65.9, 66)] == [0, 0, 1]


def test_a_receiver_that_says_it_is_closed_has_answered() -> None:
    """It would say so to every process: another is no better off."""
    mine = Knocking()
    assert {mine.hears(CLOSED, second) for second in range(0, 4000, 20)} == {0}


def test_a_closed_door_that_is_out_of_reach_since_is_left_to_who_reaches_it() -> None:
    """Found by the simulation: said to be closed once and then cut off, a process kept the receiver for ever. Closed again, it has answered again."""
    mine = Knocking()
    assert [mine.hears(CLOSED, 0), *(mine.hears(NOBODY, second) for second in (20, 34.9, 35))] == [0, 0, 0, 1]
    assert mine.door.is_closed
    assert [mine.hears(CLOSED, 36), mine.hears(NOBODY, 100), mine.hears(NOBODY, 129.9), mine.hears(NOBODY, 130)] == [1, 1, 1, 2]


def test_time_of_another_process_does_not_count() -> None:
    """Who has it again after an hour tries for its whole patience, and for twice that where it had stood back before."""
    mine = Knocking()
    assert [mine.hears(NOBODY, second) for second in (0, 15)] == [0, 1]
    mine.patience.begin()
    assert [mine.hears(NOBODY, second) for second in (3600, 3629.9, 3630)] == [1, 1, 2]


class Pair:
    """Two processes that share one destination as a store has it; the owner knocks once every five seconds."""

    def __init__(self) -> None:
        self.processes = {"a": Knocking(), "b": Knocking()}
        self.owner = "a"
        self.passed_at: list[int] = []

    def live(self, reaches: dict[str, bool], seconds: range) -> None:
        """Let time pass while each process does or does not reach the receiver."""
        for second in seconds:
            mine = self.processes[self.owner]
            mine.hears(TAKEN if reaches[self.owner] else NOBODY, second)
            steps = {name: {RECORDS: each.patience.steps} for name, each in self.processes.items()}
            wishes = dict.fromkeys(self.processes, frozenset({RECORDS}))
            if share_out(self.owner, wishes, {RECORDS: self.owner}, steps).give_back:
                (heir,) = (name for name in self.processes if share_out(name, wishes, {RECORDS: ""}, steps).take)
                assert heir != self.owner
                self.processes[heir].patience.begin()
                self.owner = heir
                self.passed_at.append(second)


def test_who_is_cut_off_alone_passes_it_once_and_does_not_get_it_back() -> None:
    """Also where it could be reached again: moving back to and fro would cost tries, and gains nothing."""
    pair = Pair()
    pair.live({"a": False, "b": True}, range(0, 86400, 5))
    assert (pair.owner, pair.passed_at) == ("b", [15])


def test_a_receiver_that_is_away_for_all_changes_hands_once_an_hour_in_the_end() -> None:
    """Three days: the waits double from half a minute on; who is found by the receiver's return keeps it."""
    pair = Pair()
    pair.live({"a": False, "b": False}, range(0, 3 * 86400, 5))
    gaps = [after - before for before, after in pairwise(pair.passed_at)]
    assert pair.passed_at[0] == 15
    assert gaps == sorted(gaps)
    assert max(gaps) <= 3620
    assert len(gaps) < 80
    last = pair.owner
    pair.live({"a": True, "b": True}, range(3 * 86400, 4 * 86400, 5))
    assert pair.owner == last


def test_when_the_cut_moves_to_the_other_process_it_comes_back() -> None:
    """What the first one met hours ago does not keep it from being tried, once the second gets no further either."""
    pair = Pair()
    pair.live({"a": False, "b": True}, range(0, 3600, 5))
    pair.live({"a": True, "b": False}, range(3600, 7200, 5))
    assert pair.owner == "a"
    assert len(pair.passed_at) == 2
    assert pair.passed_at[1] - 3600 <= 60
