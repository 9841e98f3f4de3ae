"""Kinds have an order, and only what may hurt within the hour breaks into quiet hours."""

from __future__ import annotations

from bridge.signals.kinds import KEPT, OWN, URGENT, WITHOUT_DELAY, Kind


def test_the_most_urgent_comes_first() -> None:
    """The order of the enumeration is that of the page and of causes."""
    assert list(Kind)[:2] == [Kind.TELLING, Kind.STAT]
    assert frozenset({Kind.TELLING, Kind.STAT, Kind.STORE, Kind.EMERGENCY}) == URGENT


def test_a_process_tells_of_itself_what_no_store_can_keep() -> None:
    """Every kind is either kept or a process's own."""
    assert frozenset({Kind.STORE, Kind.LOOP}) == OWN
    assert set(KEPT) | OWN == set(Kind)
    assert not OWN & set(KEPT)


def test_what_is_told_without_delay_breaks_into_quiet_hours_too() -> None:
    """Somebody is in by the envelope now."""
    assert WITHOUT_DELAY <= URGENT - OWN
