"""What every store must do with missing numbers and signed days."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta

import pytest

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.errors import Overtaken
from bridge.model import Held, RunFacts, RunState, Severity
from bridge.store.api import Store
from bridge.store.commands import AnswerGap, ConfirmRun, RecordOutcome, ShiftWrite, SignDay
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

DAY = date(2026, 11, 25)
GAP = Gap(analyzer="brook-1", mode="N", series="2026-11-25", first=41, last=43)


def said(first: int, last: int, end: GapEnd = GapEnd.EXPLAINED, *, series: str = GAP.series, reason: str = "spilt") -> GapAnswer:
    """Give Bo's word on numbers of the series."""
    gap = Gap(analyzer=GAP.analyzer, mode=GAP.mode, series=series, first=first, last=last)
    return GapAnswer(gap=gap, end=end, by=BO, reason=reason, at=NOW)


class NumberContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_what_is_said_is_kept_with_its_name_and_reason(self, opened: Opened) -> None:
        """It outlives a restart, stands in the history, and is asked for by the gap's series alone."""
        first, second = said(41, 41, GapEnd.TYPED_IN, reason="slip in the folder"), said(42, 43)
        other = said(41, 41, series="2026-11-24")
        for answer in (first, other, second):
            opened.store.submit(AnswerGap(answer=answer)).result(WAIT)
        store = opened.restart()
        assert store.gap_answers([GAP, GAP]) == (first, second)
        assert store.gap_answers([]) == ()
        assert store.gap_answers([Gap(analyzer="brook-1", mode="S", series=GAP.series, first=41, last=43)]) == ()
        (event,) = store.events("gap:1")
        assert (event.what, event.actor, event.after, event.reason) == (
            "gap.answered",
            "Bo",
            "typed in from the slip",
            "slip in the folder",
        )

    def test_a_number_is_accounted_for_once(self, opened: Opened) -> None:
        """Two people at the same row: the second is told, and nothing of the second is kept."""
        store = opened.store
        store.submit(AnswerGap(answer=said(42, 42))).result(WAIT)
        for first, last in ((42, 42), (41, 43), (41, 42), (42, 50)):
            with pytest.raises(Overtaken, match="said of these numbers already"):
                store.submit(AnswerGap(answer=said(first, last, GapEnd.NO_READING))).result(WAIT)
        store.submit(AnswerGap(answer=said(41, 41))).result(WAIT)
        assert [answer.gap.first for answer in store.gap_answers([GAP])] == [42, 41]

    def test_a_question_is_answered_once_and_the_numbers_may_be_explained_after(self, opened: Opened) -> None:
        """HZ-K05: not set by hand leaves them missing; whoever finds out more may say so."""
        store = opened.store
        store.submit(AnswerGap(answer=said(41, 540, GapEnd.NOT_SET))).result(WAIT)
        with pytest.raises(Overtaken, match="said of these numbers already"):
            store.submit(AnswerGap(answer=said(41, 540, GapEnd.NOT_SET))).result(WAIT)
        store.submit(AnswerGap(answer=said(41, 540, GapEnd.SET_BY_HAND))).result(WAIT)
        assert [answer.end for answer in store.gap_answers([GAP])] == [GapEnd.NOT_SET, GapEnd.SET_BY_HAND]

    def test_a_signature_keeps_the_figures_as_they_stood(self, opened: Opened) -> None:
        """A day may be signed again after it changed; the first signature stays as it was."""
        store = opened.store
        days = [DAY, DAY - timedelta(days=1), DAY]
        ids = [
            store.submit(SignDay(day=day, content=f'{{"n":{n}}}', actor=EDA, remark=f"r{n}", at=later(n))).result(WAIT)
            for n, day in enumerate(days)
        ]
        store = opened.restart()
        found = store.day_signatures(since=DAY - timedelta(days=1), until=DAY)
        assert [(row.signature_id, row.day, row.content, row.by, row.verified, row.at, row.remark) for row in found] == [
            (ids[n], days[n], f'{{"n":{n}}}', EDA.name, EDA.verified, later(n), f"r{n}") for n in (2, 0, 1)
        ]
        assert store.day_signatures(since=DAY + timedelta(days=1), until=DAY + timedelta(days=9)) == ()
        assert [event.what for event in store.events(f"day:{ids[0]}")] == ["day.signed"]


class ShiftContract:
    """The behaviour of runs that are held for what went missing inside them."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_run_is_held_strip_by_strip_and_let_go_as_a_whole(self, opened: Opened) -> None:
        """In its order, in the commit of the person's word; what does not wait for the run stays as it is."""
        store = opened.store
        assert (store.last_run("brook-1"), store.is_run_held("brook-1"), store.held_runs()) == (None, False, ())
        first, second = held(store, 8, begins=True), held(store, 9)
        s.record(store, s.reading("10"), s.held(s.reading("10")))
        held(store, 1, begins=True, analyzer="tern-1")
        store = opened.restart()
        run, other = store.held_runs()
        assert (run.analyzer, run.cause, [strip.number for strip in run.strips]) == ("brook-1", CAUSE, ["8", "9"])
        assert (other.analyzer, [strip.number for strip in other.strips]) == ("tern-1", ["1"])
        assert (store.is_run_held("brook-1"), store.is_run_held("alder-1")) == (True, False)
        assert store.held_run("brook-1", first) == store.held_run("brook-1", run.last) == RunFacts(broken_by=CAUSE)
        assert run.last == second
        assert store.held_run("brook-1", (second[0], 1)) is None
        confirm = ConfirmRun(shift_id=run.shift_id, last=run.last, actor=EDA, reason="compared", at=NOW)
        with pytest.raises(Overtaken, match="has grown"):
            store.submit(replace(confirm, last=first)).result(WAIT)
        assert store.submit(confirm).result(WAIT) == 2
        assert (store.is_run_held("brook-1"), store.is_run_held("tern-1")) == (False, True)
        assert store.held_run("brook-1", first) == RunFacts(broken_by=CAUSE, confirmed_by=EDA.name)
        for again in (confirm, replace(confirm, shift_id=99)):
            with pytest.raises(Overtaken, match="confirmed already"):
                store.submit(again).result(WAIT)
        work = [store.next_intake("brook-1"), store.next_intake("brook-1", after=store.next_intake("brook-1").intake_id)]  # type: ignore[union-attr] # two are there
        assert [(each.capture_id, each.only_index, each.because) for each in work if each] == [
            (*first, "run confirmed"),
            (*second, "run confirmed"),
        ]
        assert [(stop.analyzer, stop.rule) for stop in store.stops()] == [
            ("tern-1", "number.shift"),
            ("brook-1", "copy.possible"),
        ]
        closed = [(stop.closed_by, stop.closed_how, stop.closed_reason) for stop in store.stops(is_open=False)]
        assert closed == [(f"{EDA.name} ({EDA.verified})", "released", "compared")] * 2
        assert [event.what for event in store.events(f"run:{run.shift_id}")] == ["run.confirmed"]

    def test_a_strip_that_was_judged_while_the_run_was_confirmed_is_judged_again(self, opened: Opened) -> None:
        """Else it would be held for a run that nobody can confirm any more."""
        store = opened.store
        held(store, 8, begins=True)
        (run,) = store.held_runs()
        store.submit(ConfirmRun(shift_id=run.shift_id, last=run.last, actor=EDA, reason="r", at=NOW)).result(WAIT)
        before = store.next_intake("brook-1")
        assert before is not None
        late = held(store, 9, behind=before.intake_id)
        again = store.next_intake("brook-1", after=before.intake_id)
        assert again is not None
        assert (again.capture_id, again.only_index, again.because) == (*late, "run confirmed")

    def test_the_last_strip_says_how_the_run_stands(self, opened: Opened) -> None:
        """Its times and its error; a run that is held is so behind a control too, and not behind a patient's strip of a later run."""
        store = opened.store
        of = s.reading("7")
        s.record(store, of, s.rejected(of, "pad.error"))
        assert store.last_run("brook-1") == RunState(printed_at=NOW, arrived_at=NOW, has_fault=True)
        held(store, 8, begins=True)
        is_held = RunState(printed_at=NOW, arrived_at=NOW, broken_by=CAUSE, is_held=True)
        assert store.last_run("brook-1") == is_held
        of = s.reading("9")
        s.record(store, of, s.control(of))
        assert opened.restart().last_run("brook-1") == is_held
        store = opened.store
        s.post(store, "R1")
        assert store.last_run("brook-1") == RunState(printed_at=NOW, arrived_at=NOW)


CAUSE = "5 to 7 were read and never arrived"


def held(store: Store, number: int, *, begins: bool = False, analyzer: str = "brook-1", behind: int = 0) -> tuple[int, int]:
    """Record a strip that is held for its run; give its seat."""
    of = s.reading(str(number), analyzer=analyzer)
    capture_id = s.keep(store, analyzer=analyzer)
    work = store.next_intake(analyzer, after=behind)
    assert work is not None
    assert work.capture_id == capture_id
    outcome = Held(checked=s.checked(of), findings=(s.finding("number.shift", Severity.HOLD),))
    command = RecordOutcome(
        intake_id=work.intake_id, capture_id=capture_id, reading=of, outcome=outcome, deliveries=(), tables_digest="t", at=NOW, ends_intake=True,
        shift=ShiftWrite(cause=CAUSE, begins=begins),
    )  # fmt: skip
    store.submit(command).result(WAIT)
    return capture_id, 0
