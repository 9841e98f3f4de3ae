"""Random corrections over random states of delivery: what the receivers hear, by their own log, is never out of order. The contract: correction_contract.py."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.bench.corrections import Kind
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import Answer
from bridge.store.api import Store
from bridge.store.memory import MemoryStore
from bridge.store.rows import DeliveryRow
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.correction_contract import bear, change, states
from tests.store.strips import NOW, later

PLACES = ("records", "chart")
STEPS = st.one_of(
    st.tuples(st.just("send"), st.sampled_from(PLACES), st.sampled_from(["yes", "no", "lost", "unheard", "no way", "given up", "given up unheard"])),
    st.tuples(st.just("change"), st.sampled_from([Kind.CORRECTED, Kind.CORRECTED, Kind.MOVED, Kind.WITHDRAWN]), st.just("")),
    st.tuples(st.just("settle"), st.sampled_from([StopEnd.SENT_AGAIN, StopEnd.DISCARDED]), st.just("")),
)  # fmt: skip
Step = tuple[str, object, str]


@dataclass
class Receiver:
    """One record system, as simple as can be: what it took, in order, as (result, version, status); once each by control ID."""

    filed: list[tuple[str, int, str]] = field(default_factory=list)
    known: set[str] = field(default_factory=set)

    def take(self, control_id: str, what: tuple[str, int, str]) -> None:
        """File a message."""
        if control_id not in self.known:
            self.known.add(control_id)
            self.filed.append(what)

    def standing(self) -> dict[str, str]:
        """Give each result that it has with its last status."""
        return {result: status for result, _, status in self.filed}


class Play:
    """A store with one patient's result, two receivers, and a person who changes it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.receivers = {place: Receiver() for place in PLACES}
        self.statuses: dict[tuple[str, str, int], str] = {}
        self.moves = 0
        self.by_hand: set[tuple[str, str]] = set()  # (destination, result) whose withdrawal a person took over
        s.post(store, "A1", patient="A", destinations=PLACES)
        for place in PLACES:
            self.statuses[place, "A1", 1] = "F"

    @property
    def newest(self) -> str:
        """Name the result that a person would change: the last that it was moved to."""
        return f"N{self.moves}" if self.moves else "A1"

    def do(self, step: Step) -> None:
        """Do one step, as far as it can be done now."""
        what, which, how = step
        if what == "change":
            self._change(cast("Kind", which))
        elif what == "settle":
            self._settle(cast("StopEnd", which))
        else:
            self._send(str(which), how)

    def _change(self, kind: Kind) -> None:
        with suppress(Overtaken):  # it was withdrawn before
            change(self.store, self.newest, kind, to=f"P{self.moves}", new_id=f"N{self.moves + 1}")
            self.moves += kind is Kind.MOVED

    def _settle(self, how: StopEnd) -> None:
        for stop in self.store.stops(limit=1):
            if how is StopEnd.DISCARDED:
                (row,) = [r for r in self._deliveries() if r.delivery_id == stop.delivery_id]
                self.by_hand.add((row.destination, row.result_id))
            s.close(self.store, stop.stop_id, how)

    def _deliveries(self) -> list[DeliveryRow]:
        names = ["A1", *(f"N{number + 1}" for number in range(self.moves))]
        return [row for name in names for row in self.store.deliveries(name)]

    def _send(self, place: str, how: str) -> None:
        for result, version, status in bear(self.store, place):
            self.statuses[place, result, version] = status
        for head in self.store.lane_heads(place, now=later(60), limit=1):
            attempt, message = s.begin(self.store, head.delivery_id), head.message
            if how in ("yes", "unheard", "given up unheard"):
                what = (message.result_id, message.version, self.statuses[place, message.result_id, message.version])
                self.receivers[place].take(message.control_id, what)
            answer = {"yes": Answer.ACCEPTED, "no": Answer.REFUSED}.get(how, Answer.TRY_AGAIN)
            if how == "no" and message.control_id in self.receivers[place].known:
                answer = Answer.ACCEPTED  # what it has filed it does not turn away
            code = "no connection" if how == "no way" else "timeout" if answer is Answer.TRY_AGAIN else answer.name
            s.end(self.store, head.delivery_id, attempt, answer, code, due_at=NOW, expire=how.startswith("given up"))

    def check(self) -> None:
        """Compare what each receiver heard with what must hold."""
        for place, receiver in self.receivers.items():
            for result in {result for result, _, _ in receiver.filed}:
                versions = [version for its, version, _ in receiver.filed if its == result]
                assert versions == sorted(versions), (place, receiver.filed)
                its_statuses = [status for its, _, status in receiver.filed if its == result]
                assert its_statuses[1:] == ["C"] * len(its_statuses[1:]) or its_statuses[1:-1] == ["C"] * len(its_statuses[1:-1])
                assert "F" not in its_statuses[1:], receiver.filed
            stand = {result for result, status in receiver.standing().items() if status != "W"}
            stand -= {result for its, result in self.by_hand if its == place}
            assert len(stand) <= 1, (place, receiver.filed, self.by_hand)


def play(store: Store, steps: list[Step]) -> tuple[object, object]:
    """Play the steps; give all that can be compared between stores."""
    at = Play(store)
    for step in steps:
        at.do(step)
        at.check()
    for _ in range(12):  # let everything go that may
        for place in PLACES:
            at.do(("send", place, "yes"))
            at.check()
    names = ["A1", *(f"N{number + 1}" for number in range(at.moves))]
    stands = tuple((name, states(store, name), [row.lane for row in store.deliveries(name)]) for name in names)
    return stands, {place: receiver.filed for place, receiver in at.receivers.items()}


@pytest.mark.parametrize("steps", [
    [("send", "records", "given up unheard"), ("change", Kind.MOVED, ""), ("send", "records", "no"), ("settle", StopEnd.DISCARDED, "")],
    [("send", "records", "unheard"), ("change", Kind.CORRECTED, ""), ("change", Kind.MOVED, ""), ("change", Kind.MOVED, "")],
])  # fmt: skip
def test_by_name(steps: list[Step], tmp_path: Path) -> None:
    """Two that are easily got wrong."""
    store = SqliteStore(tmp_path / "s", now=lambda: NOW)
    play(cast("Store", store), steps)
    store.close()


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=st.lists(STEPS, max_size=14))
def test_no_version_passes_another_and_no_two_stand(steps: list[Step]) -> None:
    """HZ-H06, HZ-I03: at no receiver does an earlier version come behind a later one, nor do two results of the strip stand without a person's word; the twin agrees."""
    with TemporaryDirectory() as folder:
        file = SqliteStore(Path(folder) / "s", now=lambda: NOW)
        try:
            told = play(cast("Store", file), steps)
        finally:
            file.close()
    assert told == play(cast("Store", MemoryStore(now=lambda: NOW)), steps)
