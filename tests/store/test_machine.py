"""The store against the model: SQLite."""

from __future__ import annotations

import tempfile
from functools import cached_property
from pathlib import Path

from hypothesis import HealthCheck, settings

from bridge.store.api import Store
from bridge.store.sqlite import SqliteStore
from tests.store.machine import StoreMachine

MEMORY = Path("/dev/shm")  # Linux: files in memory, where a sync costs nothing; the machine is about order, not about power


class SqliteMachine(StoreMachine):
    """SQLite keeps to the model."""

    @cached_property
    def folder(self) -> tempfile.TemporaryDirectory[str]:
        return tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None)

    def opened(self) -> Store:
        return SqliteStore(Path(self.folder.name) / "store", now=lambda: self.now)

    def removed(self) -> None:
        self.folder.cleanup()


TestStoreMachine = SqliteMachine.TestCase
TestStoreMachine.settings = settings(
    max_examples=40, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
