"""A pause in words."""

from __future__ import annotations

from datetime import UTC, datetime

from bridge.lifecycle.pauses import Pause, words


def test_who_and_why() -> None:
    """What a technician is told of it."""
    at = datetime(2026, 11, 27, 9, tzinfo=UTC)
    assert words(Pause(destination="records", by="Bo", at=at, reason="their update")) == "Paused by Bo: their update"
