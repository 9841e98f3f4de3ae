"""What is kept of a PIN and a badge. tests/pages/test_benches.py has switching over HTTP."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge.accounts.people import Role, Terms
from bridge.credentials.passwords import Passwords
from bridge.desk.access import Access, Typed
from bridge.desk.benches import NOT_QUICK, Benches, Chosen, Shown
from bridge.errors import RefusedAction
from bridge.store.account_commands import KeepAccount
from bridge.store.sqlite import SqliteStore
from tests.pages.peopled import BOOT, HASH, PASSWORD
from tests.store.account_contract import ANA, BEN

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TERMS = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))
KEY = b"a key of the site, of 32 letters"
BADGE = "LAB-0004711"


def test_a_pin_is_kept_as_a_password_is_and_a_badge_under_the_sites_key(tmp_path: Path) -> None:
    """Argon2id for six digits; HMAC-SHA-256 (RFC 2104) of the badge, so that a copy of the database alone is no use (HZ-J04)."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    tokens = iter(f"token-{number}" for number in range(99))
    access = Access(store, TERMS, Passwords(), now=lambda: NOW, token=lambda: next(tokens))

    def benches(key: bytes) -> Benches:
        return Benches(store, access, Passwords(), badge_key=key, longest=TERMS.longest, now=lambda: NOW)

    async def steps(promote: Callable[[], None]) -> None:
        token = await access.sign_in(Typed(name="Ben Reis", password=PASSWORD, address="from 10.0.0.7"))
        ben = await access.of_session(token)
        assert ben is not None
        chosen = Chosen(password=PASSWORD, pin="407316", pin_again="407316", badge=BADGE, badge_again=BADGE)
        await benches(KEY).choose(ben, chosen, "from 10.0.0.7")
        await benches(KEY).mark(ben, "Bench 1", "bench token")
        shown = Shown(badge=BADGE, address="from 10.0.0.7")
        assert await access.of_session(await benches(KEY).switch("bench token", shown, replaces="")) is not None
        with pytest.raises(RefusedAction):
            await benches(b"another key" * 3).switch("bench token", shown, replaces="")
        promote()
        boss = await access.of_session(token)
        assert boss is not None
        with pytest.raises(RefusedAction, match=NOT_QUICK):
            await benches(KEY).choose(boss, chosen, "from 10.0.0.7")

    def promoted() -> None:
        of = store.account(number)
        assert of is not None
        changed = KeepAccount(account=replace(of, role=Role.SUPERVISOR), what="account.role", actor=BOOT, at=NOW)
        store.submit(changed).result(10)

    try:
        store.submit(KeepAccount(account=ANA, what="account.added", actor=BOOT, at=NOW)).result(10)
        number = store.submit(KeepAccount(account=replace(BEN, secret=HASH), what="account.added", actor=BOOT, at=NOW)).result(10)
        asyncio.run(steps(promoted))
        kept = store.quick(number)
        assert kept is not None
        assert kept.pin.startswith("$argon2id$")
        assert kept.badge == hmac.new(KEY, b"padpost badge\0" + BADGE.encode(), hashlib.sha256).hexdigest()
        assert BADGE not in repr(kept)
    finally:
        store.close()
