"""Kinds have an order, and only what may hurt within the hour breaks into quiet hours."""

from __future__ import annotations

from bridge.signals.kinds import URGENT, Kind


def test_the_most_urgent_comes_first() -> None:
    """The order of the enumeration is that of the page and of causes."""
    assert list(Kind)[:2] == [Kind.TELLING, Kind.STAT]
    assert frozenset({Kind.TELLING, Kind.STAT}) == URGENT
