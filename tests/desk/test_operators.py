"""On which terms the register of operators is kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from bridge.desk.operators import OperatorDesk, typed_day
from bridge.errors import RefusedAction
from bridge.model import Actor
from tests.pages.stocked import NOW, Stocked
from tests.store.operator_contract import ANA

WHO = Actor(name="Ben", verified="unverified")


@pytest.mark.parametrize(
    ("more", "actor", "sentence"),
    [
        ({"number": " "}, WHO, "Give the analyzer, the number and the person's name."),
        ({"name": ""}, WHO, "Give the analyzer, the number and the person's name."),
        ({"until": date(2026, 10, 31)}, WHO, "The last day is before the first one."),
        ({}, Actor(name=" ", verified="unverified"), "Say who you are: the name is kept with what you do."),
    ],
)
def test_an_entry_says_whose_what_is(shelf: Stocked, more: dict[str, Any], actor: Actor, sentence: str) -> None:
    """Nothing is kept of one that does not."""
    desk = OperatorDesk(shelf.store, lambda: NOW)
    with pytest.raises(RefusedAction) as refused:
        desk.enter(replace(ANA, **more), actor=actor)
    assert str(refused.value) == sentence
    assert shelf.store.operators() == ()


def test_an_end_needs_a_reason(shelf: Stocked) -> None:
    """Who ended it, and why, is kept."""
    desk = OperatorDesk(shelf.store, lambda: NOW)
    number = desk.enter(ANA, actor=WHO)
    with pytest.raises(RefusedAction, match="Give a reason"):
        desk.end(number, reason=" ", actor=WHO)
    desk.end(number, reason="left", actor=WHO)
    assert shelf.store.operators() == ()


def test_a_typed_day() -> None:
    """Nothing is no day; a text that is no date is told how to write one."""
    assert (typed_day(" 2026-11-25 "), typed_day(" ")) == (date(2026, 11, 25), None)
    with pytest.raises(RefusedAction, match="Write it as 2026-11-25"):
        typed_day("25.11.2026")
