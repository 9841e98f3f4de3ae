"""Accounts come back as they were kept. The contract: account_contract.py."""

from __future__ import annotations

from bridge.store.sqlite import SqliteStore
from tests.store.account_contract import ANA, BEN, add, sign_in


def test_they_come_in_the_order_in_which_they_were_made(store: SqliteStore) -> None:
    """And a session comes with the account whose it is."""
    ana, ben = add(store, ANA), add(store, BEN)
    session = sign_in(store, ben)
    assert store.accounts() == (ana, ben)
    assert store.session(session.digest) == (session, ben)
