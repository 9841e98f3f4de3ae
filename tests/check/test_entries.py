"""When what a person entered waits for another."""

from __future__ import annotations

from bridge.check.entries import seen_by_two
from bridge.check.rulebook import is_for_one_by_one
from bridge.model import Place, Printed, ReadBy, Severity

ANA = Printed(text="Ana", place=Place(start=3, end=6))


def test_an_analyzers_strip_needs_nobody() -> None:
    """Nobody entered it, whatever its profile says of how it was read."""
    assert seen_by_two(None, ReadBy.EYE, is_one_enough=False) == ()
    assert seen_by_two(None, ReadBy.ANALYZER, is_one_enough=False) == ()


def test_what_was_entered_waits_for_a_second_person() -> None:
    """It names who entered it, and may be released: never together with others."""
    (found,) = seen_by_two(ANA, ReadBy.EYE, is_one_enough=False)
    assert (found.rule, found.severity, found.releasable, found.place) == ("entry.unconfirmed", Severity.HOLD, True, ANA.place)
    assert found.sentence == "Ana read this strip by eye, and nobody else has compared it yet."
    assert is_for_one_by_one(found.rule)


def test_one_person_is_enough_only_where_the_site_says_so_and_only_by_eye() -> None:
    """A slip that was typed in is compared by a second person whatever the policy says."""
    assert seen_by_two(ANA, ReadBy.EYE, is_one_enough=True) == ()
    (found,) = seen_by_two(ANA, ReadBy.ANALYZER, is_one_enough=True)
    assert found.sentence == "Ana typed this in from a slip, and nobody else has compared it yet."
