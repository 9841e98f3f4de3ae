"""What every journey shares: each message plan is shown to the oracles once in a run, not by every bridge that starts with an empty store."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.journey.running import asked_once


@pytest.fixture(scope="session", autouse=True)
def _asked_once() -> Iterator[None]:
    with asked_once():
        yield
