"""What every store must do with critical results that somebody is to be told of."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.bench.telling import Critical, Means, Said, Task, TellingState, TellingStep
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import SERVICE, Actor, Coded, Copy, Outcome
from bridge.store.api import Store
from bridge.store.commands import SayOfTelling, TellWrite
from bridge.store.rows import TellingShown
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

SUGAR = Critical(rule="sugar-ketones", text="Sugar and ketones.", values=(("Glucose", "3+"), ("Ketones", "80 mg/dL")))
ACID = Critical(rule="acid", text="Acid.", values=(("pH", "5.0"),))
ONCE = TellWrite(met=(SUGAR,), repeat=timedelta())
READ_BACK = Said(step=TellingStep.TOLD, name="N. Ito", role="nurse", means=Means.TELEPHONE, done_at=later(3))
CLOSED = Said(step=TellingStep.CLOSED)


def say(store: Store, of: TellingShown, said: Said, *, actor: Actor = BO, minutes: float = 5) -> None:
    """Keep a step of a task as it is shown."""
    command = SayOfTelling(telling_id=of.telling_id, steps=of.task.steps, said=said, actor=actor, at=later(minutes))
    store.submit(command).result(WAIT)


def told(store: Store, *, minutes: float = 5) -> None:
    """Tell of the only open task, and close it."""
    (task,) = store.tellings_open()
    say(store, task, READ_BACK, minutes=minutes)
    (task,) = store.tellings_open()
    say(store, task, CLOSED, minutes=minutes)


def steps_of(shown: TellingShown | None) -> list[str]:
    """Name what happened to a task."""
    assert shown is not None
    return [each.said.step.value for each in shown.history]


class TellingContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_task_opens_with_the_outcome_also_of_a_stopped_strip(self, opened: Opened) -> None:
        """HZ-I01: each rule is a task of its own, with what it rests on; it outlives a restart and stands in the history."""
        of = s.reading("7")
        two = TellWrite(met=(SUGAR, ACID), repeat=timedelta())
        made = s.record(opened.store, of, s.held(of), tell=two, tables_digest="tables-1")
        s.record(opened.store, s.reading("8"), s.held(s.reading("8")))
        store = opened.restart()
        first, second = store.tellings_open()
        assert (first.critical, second.critical, first.tables) == (SUGAR, ACID, "tables-1")
        assert first.task == Task(state=TellingState.OPEN, steps=1, since=NOW, turn=0, turn_at=NOW)
        assert (first.strip.strip_id, first.strip.number, first.strip.outcome) == (made.strip_id, "7", "held")
        (step,) = first.history
        assert (step.said, step.at, step.actor, step.verified) == (
            Said(step=TellingStep.OPENED),
            NOW,
            SERVICE.name,
            SERVICE.verified,
        )
        assert store.telling(first.telling_id) == first
        assert store.telling(99) is None
        assert store.tellings_closed() == ()

    def test_every_step_is_kept_with_its_name(self, opened: Opened) -> None:
        """HZ-I01: tried without success, told without reading back, told and read back, closed: whom, by which means, when, by whom."""
        of = s.reading("7")
        s.record(opened.store, of, s.held(of), tell=ONCE)
        said = [
            (Said(step=TellingStep.NOT_REACHED, name="Ward 3", means=Means.TELEPHONE, reason="no answer"), BO),
            (Said(step=TellingStep.PASSED_ON), SERVICE),
            (Said(step=TellingStep.NOT_READ_BACK, name="N. Ito", role="nurse", means=Means.MESSAGE), EDA),
            (READ_BACK, EDA),
            (CLOSED, BO),
        ]
        for minute, (step, actor) in enumerate(said, 1):
            (task,) = opened.store.tellings_open()
            say(opened.store, task, step, actor=actor, minutes=minute)
        store = opened.restart()
        assert store.tellings_open() == ()
        (task,) = store.tellings_closed()
        assert [(each.said, each.actor, each.at) for each in task.history[1:]] == [
            (step, actor.name, later(minute)) for minute, (step, actor) in enumerate(said, 1)
        ]
        assert task.task == Task(state=TellingState.CLOSED, steps=6, since=NOW, turn=1, turn_at=later(2), told_at=later(3))
        assert [
            (each.what, each.before, each.after, each.actor, each.reason) for each in store.events(f"telling:{task.telling_id}")
        ] == [
            ("telling.opened", "", "open", "padpost", ""),
            ("telling.not_reached", "open", "open", "Bo", "Ward 3; by telephone"),
            ("telling.passed_on", "open", "open", "padpost", ""),
            ("telling.not_read_back", "open", "open", "Eda", "N. Ito; nurse; by message"),
            ("telling.told", "open", "told", "Eda", "N. Ito; nurse; by telephone; 2026-11-25T10:03:00+00:00"),
            ("telling.closed", "told", "closed", "Bo", ""),
        ]

    def test_when_somebody_read_each_back_first(self, opened: Opened) -> None:
        """For reports: when it was done and not when it was written down, the first of several; tasks of another time are left out."""
        of, other = s.reading("7"), s.reading("8")
        s.record(opened.store, of, s.held(of), tell=ONCE)
        s.record(opened.store, other, s.held(other), tell=ONCE, at=later(90))
        first, _ = opened.store.tellings_open()
        say(opened.store, first, READ_BACK, minutes=5)
        first, _ = opened.store.tellings_open()
        say(opened.store, first, replace(READ_BACK, done_at=None), minutes=9)
        store = opened.restart()
        assert store.critical_told(since=NOW, until=later(90)) == ((NOW, later(3)),)
        assert store.critical_told(since=later(1), until=later(91)) == ((later(90), None),)

    def test_closed_ones_are_paged_from_the_newest(self, opened: Opened) -> None:
        """As many as are asked for, from behind the last one shown."""
        store = opened.store
        for number in ("1", "2", "3"):
            s.record(store, s.reading(number), s.held(s.reading(number)), tell=ONCE)
            told(store)
        newest, middle = store.tellings_closed(limit=2)
        assert [each.strip.number for each in (newest, middle)] == ["3", "2"]
        assert [each.strip.number for each in store.tellings_closed(before=middle.telling_id)] == ["1"]

    def test_what_may_not_follow_is_refused_and_nothing_is_kept(self, opened: Opened) -> None:
        """HZ-I01: a task that nobody was told of cannot be closed as if somebody had been."""
        store = opened.store
        s.record(store, s.reading("7"), s.held(s.reading("7")), tell=ONCE)
        (task,) = store.tellings_open()
        for said in (CLOSED, Said(step=TellingStep.REOPENED), Said(step=TellingStep.OPENED)):
            with pytest.raises(Overtaken, match="wrote something down"):
                say(store, task, said)
        with pytest.raises(Overtaken, match="wrote something down"):
            say(store, replace(task, telling_id=99), READ_BACK)
        assert store.tellings_open() == (task,)

    def test_of_two_people_exactly_one_wins(self, opened: Opened) -> None:
        """Both opened the page before either wrote: the second is told to look again, and one call is in the history."""
        store = opened.store
        s.record(store, s.reading("7"), s.held(s.reading("7")), tell=ONCE)
        (task,) = store.tellings_open()
        ready, lost = threading.Barrier(2), []

        def write(actor: Actor) -> None:
            ready.wait(WAIT)
            try:
                say(store, task, READ_BACK, actor=actor)
            except Overtaken:
                lost.append(actor.name)

        people = [threading.Thread(target=write, args=(actor,)) for actor in (BO, EDA)]
        for person in people:
            person.start()
        for person in people:
            person.join(WAIT)
        (left,) = store.tellings_open()
        assert steps_of(left) == ["opened", "told and read back"]
        assert sorted([*lost, left.history[-1].actor]) == ["Bo", "Eda"]

    def test_a_strip_has_one_task_a_rule(self, opened: Opened) -> None:
        """HZ-I01: sent again as a copy, with the same bytes while it is stopped, or read again: nobody is called twice. Another strip has its own."""
        store = opened.store
        of = s.reading("7")
        first = s.record(store, of, s.rejected(of), tell=ONCE)
        again = s.record(store, of, s.rejected(of), tell=ONCE)
        assert again.repeat
        s.record(store, s.reading("7"), Copy(of=first.strip_id, checked=s.checked(of), findings=()))
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.READ_AGAIN)
        judged_again(store, s.held(of), tell=ONCE)
        (task,) = store.tellings_open()
        assert (steps_of(task), task.strip.outcome) == (["opened"], "held")
        rerun = s.reading("8")
        s.record(store, rerun, s.held(rerun), tell=ONCE)
        assert [each.strip.number for each in store.tellings_open()] == ["7", "8"]

    def test_a_copy_brings_what_the_stopped_one_had_not(self, opened: Opened) -> None:
        """A rule that was switched on since is of the strip that is stopped; its task stands there."""
        store = opened.store
        of = s.reading("7")
        first = s.record(store, of, s.rejected(of))
        s.record(store, of, s.rejected(of), tell=ONCE)
        (task,) = store.tellings_open()
        assert task.strip.strip_id == first.strip_id

    def test_whoever_was_told_is_told_again_when_the_patient_is_another(self, opened: Opened) -> None:
        """HZ-I01: told of the wrong patient, the right one's carers know nothing and the wrong one's act on it."""
        store = opened.store
        of = s.reading("7", patient="4711")
        first = s.record(store, of, s.held(of), tell=ONCE)
        told(store)
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.ID_CORRECTED, patient_id="4712")
        judged_again(store, Coded(checked=s.checked(of, patient_id="4712"), result=s.result("R1", patient="4712")), tell=ONCE)
        (task,) = store.tellings_open()
        assert steps_of(task)[-2:] == ["closed", "to be told again"]
        assert (task.history[-1].said.reason, task.task.told_at, task.strip.patient_id) == (
            "the patient ID was corrected",
            None,
            "4712",
        )

    def test_other_values_and_a_rule_that_is_not_met_any_more(self, opened: Opened) -> None:
        """The task says what is so now; one that nobody was told of yet stays open and says that it changed."""
        store = opened.store
        of = s.reading("7")
        first = s.record(store, of, s.held(of), tell=ONCE)
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.READ_AGAIN)
        other = replace(SUGAR, values=(("Glucose", "4+"), ("Ketones", "80 mg/dL")))
        second = judged_again(store, s.held(of), tell=replace(ONCE, met=(other,)), tables_digest="tables-2")
        (task,) = store.tellings_open()
        assert (task.critical, task.tables, steps_of(task)) == (other, "tables-2", ["opened", "changed"])
        assert task.history[-1].said.reason == "the strip is read otherwise now"
        told(store)
        s.close(store, second, StopEnd.READ_AGAIN)
        judged_again(store, s.held(of))
        (task,) = store.tellings_open()
        assert (steps_of(task)[-1], task.history[-1].said.reason) == (
            "to be told again",
            "the strip does not meet the rule any more, as it is read now",
        )
        assert task.critical == other

    def test_a_strip_that_is_released_changes_nothing(self, opened: Opened) -> None:
        """Judged again with the same patient and values, it is what was told."""
        store = opened.store
        of = s.reading("7")
        first = s.record(store, of, s.held(of), tell=ONCE)
        told(store)
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.RELEASED, accept_rules=frozenset({"copy.possible"}))
        judged_again(store, Coded(checked=s.checked(of), result=s.result("R1")), tell=ONCE)
        assert store.tellings_open() == ()
        assert store.tellings_closed()[0].strip.outcome == "coded"

    def test_a_strip_that_turns_out_to_be_a_copy_is_told_of_as_such(self, opened: Opened) -> None:
        """Its own task says so, for the person who closes it; the other strip's stands beside it."""
        store = opened.store
        right = s.reading("7")
        original = s.record(store, right, s.held(right), tell=ONCE)
        wrong = s.reading("7", patient="4712")
        second = s.record(store, wrong, s.held(wrong), tell=ONCE)
        assert second.stop_id is not None
        s.close(store, second.stop_id, StopEnd.ID_CORRECTED, patient_id="4711")
        judged_again(store, Copy(of=original.strip_id, checked=s.checked(wrong, patient_id="4711"), findings=()))
        first, other = store.tellings_open()
        assert (steps_of(first), steps_of(other)) == (["opened"], ["opened", "changed"])
        assert other.history[-1].said.reason == "the strip turned out to be a copy of another"

    def test_a_discarded_strip_is_told_of_again(self, opened: Opened) -> None:
        """HZ-I01: whoever was told must hear that it does not stand; by the name of who discarded it."""
        store = opened.store
        of = s.reading("7")
        first = s.record(store, of, s.held(of), tell=ONCE)
        told(store)
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.DISCARDED, who=EDA)
        (task,) = store.tellings_open()
        assert (task.history[-1].said.reason, task.history[-1].actor) == ("the strip was discarded", "Eda")

    def test_a_repeat_is_closed_where_the_site_wants_that(self, opened: Opened) -> None:
        """Only of a strip that goes, of the same patient and rule, told of within the time; by default each is told."""
        store = opened.store
        quiet = replace(ONCE, repeat=timedelta(hours=2))
        s.record(store, s.reading("1"), s.held(s.reading("1")), tell=quiet)
        told(store)  # at 10:03

        def next_one(
            number: str, minutes: float, tell: TellWrite = quiet, patient: str = "4711", *, is_held: bool = False
        ) -> str:
            of = s.reading(number, patient=patient)
            outcome: Outcome = s.held(of) if is_held else Coded(checked=s.checked(of), result=s.result(number, patient=patient))
            s.record(store, of, outcome, tell=tell, at=later(minutes))
            return max((*store.tellings_open(), *store.tellings_closed()), key=lambda each: each.telling_id).history[-1].said.step

        assert next_one("2", 123) == "closed as a repeat"
        assert next_one("3", 124) == "opened"
        assert next_one("4", 60, ONCE) == "opened"
        assert next_one("5", 60, patient="4712") == "opened"
        assert next_one("6", 60, is_held=True) == "opened"
        assert next_one("7", 60, replace(quiet, met=(ACID,))) == "opened"


def judged_again(store: Store, outcome: Outcome, *, tell: TellWrite | None = None, tables_digest: str = "t") -> int:
    """Record what judging makes of the strip that a person decided about; give its stop, 0 where it has none."""
    work = store.next_intake("brook-1")
    assert work is not None
    assert work.because
    of = outcome.checked.reading if outcome.checked else s.reading("7")
    made = s.record(store, of, outcome, capture_id=work.capture_id, tell=tell, tables_digest=tables_digest)
    return made.stop_id or 0
