"""What every store must do with missing numbers and signed days."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta

import pytest

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.errors import Overtaken
from bridge.store.api import Store
from bridge.store.commands import AnswerGap, SignDay
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
