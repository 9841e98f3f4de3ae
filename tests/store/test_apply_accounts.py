"""Accounts in the file: nothing of a secret goes into the history. The contract: account_contract.py."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.errors import Overtaken
from bridge.store.account_commands import KeepAccount
from bridge.store.sqlite import SqliteStore
from tests.store.account_contract import ANA, add, sign_in
from tests.store.strips import BO, EDA, NOW, WAIT


def test_the_history_holds_no_secret_and_no_token(store: SqliteStore) -> None:
    """An event says who and what; the hash and the digest stay in their own tables."""
    ana = add(store)
    sign_in(store, ana, "digest-of-a-token")
    told = repr(store.events(f"account:{ana.account_id}"))
    assert ANA.secret not in told
    assert "digest-of-a-token" not in told


def test_who_was_quicker_is_who_changed_the_account_and_not_who_signed_in(store: SqliteStore) -> None:
    """Eda changed it, and somebody only signed in since: whoever comes second is told of Eda."""
    ana = add(store)
    keep = KeepAccount(account=ana, what="account.role", actor=EDA, at=NOW)
    store.submit(keep).result(WAIT)
    sign_in(store, replace(ana, version=2), "digest")
    with pytest.raises(Overtaken, match=r"^Eda was first\. This account was changed meanwhile\."):
        store.submit(replace(keep, actor=BO)).result(WAIT)
