"""What every store must keep of the register of operators."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date

import pytest

from bridge.bench.operators import Operator
from bridge.errors import Overtaken, RefusedAction
from bridge.store.api import Store
from bridge.store.commands import EndOperator, EnterOperator
from bridge.store.rows import OperatorShown
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

ANA = Operator(
    analyzer="bench-a", number="12", name="Ana", since=date(2026, 11, 1), until=date(2026, 11, 30), competency_due=date(2027, 1, 31), shift="early"
)  # fmt: skip
BEN = replace(ANA, name="Ben", since=date(2026, 12, 1), until=None, competency_due=None, shift="")


class OperatorContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_an_entry_outlives_a_restart_and_ends_with_a_reason(self, opened: Opened) -> None:
        """Who entered it, when, and who ended it stand in the history; an ended one is in force no more."""
        one, two = (opened.store.submit(EnterOperator(operator=each, actor=BO, at=NOW)).result(WAIT) for each in (ANA, BEN))
        store = opened.restart()
        shown = [
            OperatorShown(operator_id=number, operator=each, entered_by="Bo", entered_at=NOW)
            for number, each in ((one, ANA), (two, BEN))
        ]
        assert store.operators() == tuple(shown)
        end = EndOperator(operator_id=one, actor=EDA, reason="left the house", at=later(5))
        store.submit(end).result(WAIT)
        assert store.operators() == (shown[1],)
        told = [(event.what, event.actor, event.reason) for event in store.events(f"operator:{one}")]
        assert told == [("operator.entered", "Bo", ""), ("operator.ended", "Eda", "left the house")]
        for gone in (one, 999):
            with pytest.raises(Overtaken):
                store.submit(replace(end, operator_id=gone)).result(WAIT)

    def test_a_number_is_one_persons_at_a_time(self, opened: Opened) -> None:
        """Hazard HZ-D15: a number that two people share says nothing of who read a strip. Ended, it is free again."""
        first = opened.store.submit(EnterOperator(operator=ANA, actor=BO, at=NOW)).result(WAIT)
        taken = EnterOperator(operator=replace(BEN, since=date(2026, 11, 30)), actor=BO, at=NOW)
        with pytest.raises(RefusedAction, match="another entry's"):
            opened.store.submit(taken).result(WAIT)
        for free in (replace(ANA, number="13"), replace(ANA, analyzer="bench-b")):
            opened.store.submit(EnterOperator(operator=free, actor=BO, at=NOW)).result(WAIT)
        opened.store.submit(EndOperator(operator_id=first, actor=EDA, reason="typing slip", at=NOW)).result(WAIT)
        opened.store.submit(taken).result(WAIT)
        assert [each.operator.name for each in opened.store.operators()] == ["Ana", "Ana", "Ben"]
