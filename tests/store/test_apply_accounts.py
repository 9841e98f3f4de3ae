"""Accounts in the file: nothing of a secret goes into the history. The contract: account_contract.py."""

from __future__ import annotations

from bridge.store.sqlite import SqliteStore
from tests.store.account_contract import ANA, add, sign_in


def test_the_history_holds_no_secret_and_no_token(store: SqliteStore) -> None:
    """An event says who and what; the hash and the digest stay in their own tables."""
    ana = add(store)
    sign_in(store, ana, "digest-of-a-token")
    told = repr(store.events(f"account:{ana.account_id}"))
    assert ANA.secret not in told
    assert "digest-of-a-token" not in told
