"""What keeps a strip that was typed in from being posted twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.desk.conflicts import others_of_number, require_one_result, was_entered
from bridge.errors import RefusedAction
from bridge.lifecycle.states import SpecimenNext
from bridge.model import Actor, Severity
from tests.pages.stocked import GOOD, Stocked, finding

ANA = Actor(name="Ana", verified="unverified")
HELD = finding("copy.conflict", severity=Severity.HOLD, sentence="Number 7 came before.", releasable=True)


def test_the_other_records_of_a_number_are_those_of_its_series(shelf: Stocked) -> None:
    """Another day's number 7, or another number, is no other record of it."""
    shelf.coded(GOOD, number="7", value="1+")
    shelf.coded(GOOD, number="8")
    held = shelf.strip_of(shelf.held(GOOD, number="7", found=(HELD,)))
    assert [(other.number, other.outcome) for other in others_of_number(shelf.store, held)] == [("7", "coded")]
    assert others_of_number(shelf.store, replace(held, series="2026-11-24")) == ()
    assert others_of_number(shelf.store, replace(held, number="")) == ()


@pytest.mark.parametrize(("earlier", "later"), [(True, False), (False, True)])
def test_one_of_them_typed_in_and_gone_keeps_the_other(shelf: Stocked, earlier: bool, later: bool) -> None:
    """HZ-I06: whichever of the two a person entered."""
    shelf.coded(GOOD, number="7", entered=earlier)
    held = shelf.strip_of(shelf.held(GOOD, number="7", found=(HELD,), entered=later))
    assert was_entered(shelf.store, held) is later
    with pytest.raises(RefusedAction, match="withdraw the other result first"):
        require_one_result(shelf.store, held)


def test_two_records_of_an_analyzer_are_as_they_were(shelf: Stocked) -> None:
    """The rule of copies decides about them, and nothing typed in is among them; nor does what was discarded stand in the way."""
    shelf.coded(GOOD, number="7")
    require_one_result(shelf.store, shelf.strip_of(shelf.held(GOOD, number="7", found=(HELD,))))
    stopped = shelf.held(GOOD, number="9", entered=True)
    held = shelf.strip_of(shelf.held(GOOD, number="9", found=(HELD,)))
    require_one_result(shelf.store, held)
    shelf.desk.discard(stopped, reason="typed wrong", actor=ANA, specimen=SpecimenNext.NONE)
    require_one_result(shelf.store, held)
