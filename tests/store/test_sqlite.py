"""The SQLite store: the whole contract, and what only a file on a disk can get wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.store.api import Store
from bridge.store.sqlite import SqliteStore
from tests.store.contract import StoreContract
from tests.store.strips import later


class TestContract(StoreContract):
    """SQLite keeps the contract of every store."""

    @pytest.fixture
    def make(self, tmp_path: Path) -> Callable[[], Store]:
        return lambda: SqliteStore(tmp_path / "store", now=lambda: later(60))
