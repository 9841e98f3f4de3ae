"""The store on PostgreSQL: the whole contract, and what only a server can get wrong."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.store.api import Store
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from tests.store.contract import StoreContract
from tests.store.strips import later


class TestContract(StoreContract):
    """PostgreSQL keeps the contract of every store."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at, now=lambda: later(60))
