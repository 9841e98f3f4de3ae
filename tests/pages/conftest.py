"""What the tests of the pages share: a real store of their own, and the pages served over it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.pages.peopled import House, people, serving
from tests.pages.stocked import Stocked, Visitor


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real, empty store."""
    stocked = Stocked(tmp_path)
    yield stocked
    stocked.close()


@pytest.fixture
def visitor(shelf: Stocked) -> Iterator[Visitor]:
    """Serve the pages over the shelf, on a loopback port."""
    with shelf.serving() as visitor:
        yield visitor


@pytest.fixture
def house(shelf: Stocked) -> Iterator[House]:
    """Serve people of each role over a store of the test's own."""
    people(shelf)
    with serving(shelf) as house:
        yield house


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """Serve the pages over an empty store once for a module: for tests that change nothing."""
    stocked = Stocked(tmp_path_factory.mktemp("still"))
    with stocked.serving() as visitor:
        yield visitor
    stocked.close()
