"""Who comes from a directory at the same moment twice is one person (HZ-J01); what each coming does is in tests/pages/test_directory.py."""

from __future__ import annotations

import asyncio
import secrets
from datetime import timedelta
from pathlib import Path

from bridge.accounts.directory import Found
from bridge.accounts.people import Role, Terms
from bridge.accounts.taken import Taken
from bridge.credentials.passwords import Passwords
from bridge.desk.access import Access
from bridge.desk.arrivals import Arrivals
from bridge.store.sqlite import SqliteStore
from tests.store.strips import NOW

ISSUER = "https://staff.example"
ANA = Found(issuer=ISSUER, subject="u-1", names=("Ana Lima",), role=Role.TECHNICIAN)


def test_two_first_comings_at_once_make_one_account(tmp_path: Path) -> None:
    """Two tabs of one person: both come in, with one account and two sessions."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    terms = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))
    access = Access(
        store, terms, Passwords(), now=lambda: NOW, token=lambda: secrets.token_urlsafe(32), taken=Taken(issuer=ISSUER)
    )
    arrivals = Arrivals(store, access, lambda: NOW)

    async def both() -> list[str]:
        return await asyncio.gather(*(arrivals.let_in(ANA, address="from 127.0.0.1") for _ in range(2)))

    async def who(token: str) -> str:
        caller = await access.of_session(token)
        return caller.actor.verified if caller is not None else ""

    try:
        tokens = asyncio.run(both())
        (account,) = store.accounts()
        assert (account.name, account.subject) == ("Ana Lima", "u-1")
        assert [asyncio.run(who(token)) for token in tokens] == ["directory", "directory"]
    finally:
        store.close()
