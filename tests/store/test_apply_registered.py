"""The register in the file: no patient's identifier goes into the history. The contract: registered_contract.py."""

from __future__ import annotations

from bridge.store.sqlite import SqliteStore
from tests.store.registered_contract import register


def test_the_history_names_the_row_and_not_the_identifier(store: SqliteStore) -> None:
    """Whoever reads the history learns who did what, and no identifier."""
    made = register(store)
    assert "EQ" not in repr(store.events(f"registered:{made}"))
