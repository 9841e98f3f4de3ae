"""Whether what was to be added was added in time."""

from __future__ import annotations

from bridge.added import Addable, AddedFacts, Addition
from bridge.check.additions import added_in_time
from bridge.model import Severity
from tests.tables.additions_for_tests import NOW

ASKED = (Addable.COLOUR, Addable.CLARITY)
OVERDUE = AddedFacts(is_overdue=True)


def said(word: str, what: Addable = Addable.COLOUR) -> Addition:
    return Addition(what=what, word=word, by="Ana", at=NOW)


def test_what_nobody_added_in_time_is_held() -> None:
    """A person adds it, or lets it go without."""
    (found,) = added_in_time(OVERDUE, ASKED, analyzer="bench-a")
    assert (found.rule, found.severity, found.releasable) == ("addition.missing", Severity.HOLD, True)
    assert found.sentence == "Nobody added colour and clarity to this strip of bench-a in time."
    (found,) = added_in_time(AddedFacts(values=(said("yellow"),), is_overdue=True), ASKED, analyzer="bench-a")
    assert found.sentence == "Nobody added clarity to this strip of bench-a in time."


def test_nothing_is_found_in_time_or_once_all_is_answered() -> None:
    """What was left out on purpose is answered too; where the site asks for nothing, nothing is missing."""
    answered = AddedFacts(values=(said(""), said("clear", Addable.CLARITY)), is_overdue=True)
    for added, asked in ((None, ASKED), (AddedFacts(values=(said("red"),)), ASKED), (answered, ASKED), (OVERDUE, ())):
        assert added_in_time(added, asked, analyzer="bench-a") == ()
