"""What every store must keep of analyzers' lives: only appended, in an order that can be, with what a return and a confirmed strip type do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from bridge.bench.analyzer_life import Happened, KeptHappening, LifeEvent
from bridge.errors import Overtaken
from bridge.model import GateState, Severity
from bridge.store.api import Store
from bridge.store.life_commands import NoteLife
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.gate_contract import KEY, POLICY, Bench
from tests.store.strips import BO, EDA, NOW, WAIT, later

OUT = Happened(analyzer="brook-1", what=LifeEvent.OUT, at=NOW, reason="lamp")
BACK = Happened(analyzer="brook-1", what=LifeEvent.BACK, at=later(10), text="0007")


def said(store: Store, happened: Happened, **more: object) -> int:
    """Say what happened, as Bo, an hour later."""
    command = NoteLife(**{"happened": happened, "policy": None, "actor": BO, "at": later(60), **more})  # type: ignore[arg-type] # its own fields
    made: int = store.submit(command).result(WAIT)
    return made


class LifeContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_what_was_said_outlives_a_restart(self, opened: Opened) -> None:
        """With who and when, and an event of its own; of long ago the last of each kind is still told."""
        first, second = said(opened.store, OUT), said(opened.store, BACK, actor=EDA)
        store = opened.restart()
        kept = (
            KeptHappening(event_id=first, happened=OUT, entered_by="Bo", verified=BO.verified, entered_at=later(60)),
            KeptHappening(event_id=second, happened=BACK, entered_by="Eda", verified=EDA.verified, entered_at=later(60)),
        )
        assert store.life_events(since=NOW) == kept
        again = said(store, replace(OUT, at=later(20)))
        assert [each.event_id for each in store.life_events(since=later(30))] == [second, again]
        (event,) = store.events(f"analyzer_event:{second}")
        assert (event.what, event.actor, event.after) == ("analyzer.life", "Eda", "returned to service")

    def test_who_agreed_has_an_event_of_their_own(self, opened: Opened) -> None:
        """HZ-K07: two persons declare what an analyzer runs; both are found."""
        run = replace(BACK, what=LifeEvent.TRAINING, text=later(90).isoformat())
        made = said(opened.store, run, second="Eda")
        told = {(event.actor, event.what, event.after) for event in opened.store.events(f"analyzer_event:{made}")}
        assert told == {("Bo", "analyzer.life", "training is run"), ("Eda", "analyzer.agreed", "training is run")}

    def test_only_what_can_be_happens(self, opened: Opened) -> None:
        """Two people who take it out, or bring it back, do so once; another analyzer is another matter."""
        with pytest.raises(Overtaken):
            said(opened.store, BACK)
        said(opened.store, OUT)
        with pytest.raises(Overtaken):
            said(opened.store, replace(OUT, at=later(5)))
        said(opened.store, replace(OUT, analyzer="brook-2"))
        said(opened.store, BACK)
        assert len(opened.store.life_events(since=NOW)) == 3

    @pytest.mark.parametrize(
        ("what", "shuts"),
        [
            (LifeEvent.BACK, True),
            (LifeEvent.REPLACED, True),
            (LifeEvent.SERIAL, False),
            (LifeEvent.PASSED, False),
            (LifeEvent.POWER_ON, False),
        ],
    )
    def test_a_return_asks_for_controls(self, opened: Opened, what: LifeEvent, shuts: bool) -> None:
        """Hazard HZ-D13: controls of the device that stood there say nothing of the one that stands there now."""
        bench = Bench(opened.store)
        bench.control("1")
        bench.control("2")
        said(opened.store, OUT, policy=POLICY)
        (gate,) = opened.store.gates()
        assert gate.gate.state is GateState.OPEN
        said(opened.store, replace(BACK, what=what), policy=replace(POLICY, after_service=False))
        assert opened.store.gates() == (gate,)
        said(
            opened.store,
            replace(OUT, at=later(20)) if what is LifeEvent.BACK else replace(BACK, what=LifeEvent.ERROR),
            policy=POLICY,
        )
        said(opened.store, replace(BACK, what=what, at=later(30)), policy=POLICY)
        (row,) = opened.store.gates()
        assert (row.key, row.gate.state) == (KEY, GateState.START if shuts else GateState.OPEN)

    def test_a_confirmed_strip_type_frees_what_waited_for_it(self, opened: Opened) -> None:
        """Of that analyzer, and held for nothing else."""
        for number, rules in (("1", ("analyzer.strip_type",)), ("2", ("analyzer.strip_type", "time.missing"))):
            of = s.reading(number)
            s.record(opened.store, of, s.held(of, *(s.finding(rule, Severity.HOLD) for rule in rules)))
        confirmed = Happened(analyzer="brook-2", what=LifeEvent.STRIP_TYPE, at=NOW, text="plover-12")
        said(opened.store, confirmed)
        assert len(opened.store.stops()) == 2
        said(opened.store, replace(confirmed, analyzer="brook-1"))
        (left,) = opened.store.stops()
        assert left.number == "2"
        again = opened.store.next_intake("brook-1")
        assert again is not None
        assert again.because == "strip type confirmed"
