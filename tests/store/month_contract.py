"""What every store must do with the monthly review: what is known of a month, corrective actions, and signatures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date

import pytest

from bridge.bench.controls import RunVerdict
from bridge.bench.look_back import Verdict
from bridge.bench.month import Action, Month, Opened, Release, Reviewed, Window
from bridge.bench.month_due import Use
from bridge.errors import RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.model import GateState
from bridge.store.api import Store
from bridge.store.commands import EndWaiting, LetStand, NoteAction, SignMonth
from bridge.store.rows import ControlledSpan
from tests.store.contract import Opened as OpenedStore
from tests.store.lot_contract import EXPIRES, Bench
from tests.store.strips import BO, EDA, NOW, WAIT, later

S = GateState
MONTH = Month(analyzer="brook-1", strip_type="plover-12", first=date(2026, 11, 1), begins=later(-60), ends=later(600))
AROUND = Window(since=later(-60), until=later(1_000))
NOVEMBER = date(2026, 11, 1)


def signed(bench: Store, *, month: date = NOVEMBER, strip_type: str = "plover-12", digest: str = "d" * 64) -> int:
    """Sign a month as Eda; give the signature's id."""
    command = SignMonth(
        analyzer="brook-1", strip_type=strip_type, month=month, content="{}", digest=digest, statement="I have looked at it.", remark="jam",
        actor=EDA, at=NOW,
    )  # fmt: skip
    made: int = bench.submit(command).result(WAIT)
    return made


class MonthContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[OpenedStore]:
        opened = OpenedStore(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def bench(self, opened: OpenedStore) -> Bench:
        return Bench(opened.store)

    def test_a_month_s_history_and_strips(self, opened: OpenedStore) -> None:
        """Controls with their runs, people's words, strips by the minute and how many went all the same; nothing of another analyzer."""
        bench = Bench(opened.store)
        bench.opens()
        assert bench.store.month_facts(MONTH, AROUND).history[0].what == "begin_anew"
        bench.control("1"), bench.control("2")
        bench.patient(), bench.patient()
        bench.store = opened.restart()
        facts = bench.store.month_facts(MONTH, AROUND)
        assert [(each.what, each.level, each.is_set, each.after) for each in facts.history[-2:]] == [
            ("passed", "1", False, S.START),
            ("passed", "2", True, S.OPEN),
        ]
        assert [use.strips for use in facts.uses] == [1, 1]
        assert facts.uses[0] == Use(strip_lot="L1", at=later(3), strips=1, noted=0)
        assert facts.containers == (Opened(strip_lot="L1", opened_at=later(0.5), expires=EXPIRES),)
        assert facts.stood == {}
        later_on = Window(since=later(2.5), until=later(1_000))
        assert bench.store.month_facts(MONTH, later_on).stood == {"L1": S.OPEN}
        assert bench.store.month_facts(MONTH, later_on).history == ()
        other = Month(analyzer="brook-2", strip_type="plover-12", first=NOVEMBER, begins=MONTH.begins, ends=MONTH.ends)
        nothing = bench.store.month_facts(other, AROUND)
        assert (nothing.history, nothing.uses, nothing.containers) == ((), (), ())
        assert bench.store.control_spans() == (
            ControlledSpan(analyzer="brook-1", strip_type="plover-12", first_at=later(0.5), last_at=later(2)),
        )

    def test_a_corrective_action_stands_beside_its_failure(self, opened: OpenedStore) -> None:
        """More than one may; of a line that is no failure none is kept; nobody changes one."""
        bench = Bench(opened.store)
        bench.control("1"), bench.control("2", RunVerdict.FAILED)
        failed = bench.store.gate_events()[0]
        bench.store.submit(NoteAction(line_id=failed.event_id, text="new vial", actor=BO, at=NOW)).result(WAIT)
        bench.store.submit(NoteAction(line_id=failed.event_id, text="trained", actor=EDA, at=later(1))).result(WAIT)
        for line_id in (failed.event_id - 1, 99):
            with pytest.raises(RefusedAction, match="There is no such control that failed"):
                bench.store.submit(NoteAction(line_id=line_id, text="x", actor=BO, at=NOW)).result(WAIT)
        facts = opened.restart().month_facts(MONTH, AROUND)
        assert facts.actions == (
            Action(line_id=failed.event_id, text="new vial", by=BO, at=NOW),
            Action(line_id=failed.event_id, text="trained", by=EDA, at=later(1)),
        )
        (event, _) = opened.store.events(f"control:{failed.event_id}")
        assert (event.what, event.actor, event.reason) == ("control.action", "Bo", "new vial")

    def test_what_went_before_its_controls_were_right(self, bench: Bench) -> None:
        """Who let a waiting strip go, when and why."""
        strip_id = bench.patient(waits=True)[1].strip_id
        end = EndWaiting(
            strip_id=strip_id, end=StopEnd.RELEASED, actor=BO, reason="theatre waits", accept_rules=frozenset({"controls.due"}), at=later(5)
        )  # fmt: skip
        bench.store.submit(end).result(WAIT)
        (release,) = bench.store.month_facts(MONTH, AROUND).releases
        assert (release.by, release.at, release.reason, release.strip_lot) == (BO, later(5), "theatre waits", "L1")
        assert isinstance(release, Release)

    def test_look_backs_of_the_month_s_failures(self, bench: Bench) -> None:
        """What went before each, and what was decided of it."""
        bench.control("1"), bench.control("2")
        strips = [bench.patient()[1].strip_id for _ in range(2)]
        bench.control("1", RunVerdict.FAILED)
        first, _ = bench.store.look_backs(is_open=True)
        bench.store.submit(LetStand(row_id=first.row_id, actor=EDA, reason="negative there", at=later(9))).result(WAIT)
        found = bench.store.month_facts(MONTH, AROUND).reviewed
        failed_at = bench.store.gate_events()[0].at
        assert found[0] == Reviewed(
            strip_id=strips[0], number=found[0].number, strip_lot="L1", failed_at=failed_at, verdict=Verdict.STANDS, by=EDA, at=later(9),
            reason="negative there",
        )  # fmt: skip
        assert (found[1].strip_id, found[1].verdict, found[1].by, found[1].at) == (strips[1], None, None, None)

    def test_signatures_stay_and_the_latest_stands_first(self, opened: OpenedStore) -> None:
        """A month may be signed again; each keeps what it said, and is told apart by analyzer and strip type."""
        store = opened.store
        (
            signed(store),
            signed(store, month=date(2026, 10, 1)),
            signed(store, digest="e" * 64),
            signed(store, strip_type="quill-10"),
        )
        store = opened.restart()
        found = store.month_signatures(since=date(2026, 10, 1), until=NOVEMBER)
        assert [(each.month.month, each.strip_type, each.digest[0]) for each in found] == [
            (11, "quill-10", "d"), (11, "plover-12", "e"), (11, "plover-12", "d"), (10, "plover-12", "d"),
        ]  # fmt: skip
        assert [
            each.digest[0] for each in store.month_signatures(since=NOVEMBER, until=NOVEMBER, of=("brook-1", "plover-12"))
        ] == ["e", "d"]
        last = found[-1]
        assert (last.content, last.statement, last.remark, last.by, last.verified, last.at) == (
            "{}", "I have looked at it.", "jam", "Eda", EDA.verified, NOW,
        )  # fmt: skip
        assert [event.what for event in store.events(f"month:{last.signature_id}")] == ["month.signed"]
