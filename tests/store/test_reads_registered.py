"""Registrations come back as they were entered. The contract: registered_contract.py."""

from __future__ import annotations

from dataclasses import replace

from bridge.store.sqlite import SqliteStore
from tests.store.registered_contract import ROUND, register


def test_they_come_in_the_order_of_entry(store: SqliteStore) -> None:
    """Days as days, and what nobody signed as that."""
    register(store, replace(ROUND, text="Z"), signed=False)
    register(store)
    assert [(each.registration.text, each.registration.until, each.signed_by) for each in store.registrations()] == [
        ("Z", ROUND.until, ""),
        ("EQ-26-##", ROUND.until, "Eda"),
    ]
