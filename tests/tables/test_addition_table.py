"""What is asked of a strip, and for how long."""

from __future__ import annotations

from datetime import timedelta

from bridge.added import Addable
from bridge.model import Priority
from tests.tables.additions_for_tests import TERMS, asking
from tests.tables.shipped_tables import tables


def test_what_the_analyzer_sends_itself_is_not_asked_for() -> None:
    """And nothing of another analyzer, or where no source asks."""
    table = asking().additions
    assert table.asked("bench-b", {"glucose"}) == tuple(Addable)
    assert table.asked("bench-b", {"colour", "clarity"}) == (Addable.SPECIMEN_TYPE,)
    assert table.asked("bench-a", set()) == ()
    assert tables().additions.asked("bench-b", set()) == ()


def test_an_urgent_strip_waits_for_its_own_time() -> None:
    """By default for none."""
    assert (TERMS.wait(Priority.ROUTINE), TERMS.wait(Priority.STAT)) == (timedelta(minutes=10), timedelta(0))


def test_a_word_is_found_or_not() -> None:
    """Each kind has its own words."""
    table = asking().additions
    found = table.choice(Addable.COLOUR, "amber")
    assert found is not None
    assert (found.text, table.choice(Addable.CLARITY, "amber")) == ("Amber", None)
