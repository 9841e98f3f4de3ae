"""The fixture of the desk's tests: what people act on, in a real store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.pages.stocked import Stocked


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real, empty store, with the desks over it."""
    stocked = Stocked(tmp_path)
    yield stocked
    stocked.close()
