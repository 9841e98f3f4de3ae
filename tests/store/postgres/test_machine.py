"""The store against the model: PostgreSQL."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from bridge.store.api import Store
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer
from tests.store.machine import StoreMachine
from tests.store.postgres.emptied import EMPTY, taken_over


@pytest.mark.slow
def test_postgresql_keeps_to_the_model(postgres: PostgresServer, at: Server, shared: str) -> None:
    """The same steps, in fewer rounds: each crosses a socket."""

    class PostgresMachine(StoreMachine):
        is_new = True

        def opened(self) -> Store:
            if self.is_new:
                postgres.sql(EMPTY, shared)
                self.is_new = False
            return taken_over(PostgresStore(at), at=self.now)

        def removed(self) -> None:
            """Leave it to the next one, which empties the database."""

    run_state_machine_as_test(
        PostgresMachine,
        settings=settings(
            max_examples=12, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
        ),
    )
