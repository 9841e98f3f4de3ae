"""Who is let in, over a real store in memory. tests/pages/test_sign_in.py has the same by forms over HTTP."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge.accounts.people import Account, Role, Terms
from bridge.accounts.taken import Taken
from bridge.credentials.passwords import Passwords
from bridge.desk.access import Access, Caller, Typed, digest_of
from bridge.desk.envelopes import seal
from bridge.errors import Overtaken, RefusedAction, StoreFull
from bridge.store.account_commands import KeepAccount, TouchSession
from bridge.store.commands import Command
from bridge.store.sqlite import SqliteStore
from tests.pages.peopled import BOOT, PASSWORD
from tests.store.account_contract import BEN, CARA

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
CODE = "ABCD-EFGH-IJKL-MNOP"
TYPED = Typed(name="Ada Reis", password=PASSWORD, address="from 10.0.0.7")


def test_two_who_use_the_first_code_at_once_make_one_account(tmp_path: Path) -> None:
    """The store decides; the other one is told, and has no session."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    tokens = iter(f"token-{number}" for number in range(9))
    access = Access(
        store,
        Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12)),
        Passwords(),
        now=lambda: NOW,
        token=lambda: next(tokens),
    )

    async def both() -> tuple[str | BaseException, ...]:
        await access.first_code(CODE)
        return await asyncio.gather(
            access.first_sign_in(TYPED, code=CODE, again=PASSWORD),
            access.first_sign_in(Typed(name="Eve", password=PASSWORD, address="from 10.0.0.8"), code=CODE, again=PASSWORD),
            return_exceptions=True,
        )

    async def who(token: str) -> str:
        caller = await access.of_session(token)
        return caller.actor.name if caller else ""

    try:
        came = asyncio.run(both())
        tokens_given = [each for each in came if isinstance(each, str)]
        assert len(tokens_given) == 1
        assert any(isinstance(each, Overtaken | RefusedAction) for each in came)
        (account,) = store.accounts()
        assert isinstance(account, Account)
        assert account.role is Role.ADMINISTRATOR
        assert asyncio.run(who(tokens_given[0])) == account.name
        assert asyncio.run(who("another")) == ""
    finally:
        store.close()


def test_guesses_side_by_side_are_counted_as_one_behind_the_other(tmp_path: Path) -> None:
    """Fifty at once are five that are looked at, and the rest wait (checklist S38)."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    access = Access(
        store, Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12)), Passwords(), now=lambda: NOW, token=str
    )

    async def flood() -> list[str]:
        came = await asyncio.gather(*(access.sign_in(TYPED) for _ in range(50)), return_exceptions=True)
        return [str(each) for each in came]

    try:
        said = asyncio.run(flood())
        assert sum("not right" in each for each in said) == 5
        assert sum("Wait 1 s" in each for each in said) == 45
    finally:
        store.close()


class Full(SqliteStore):
    """A store that has no room for the use of a session."""

    def submit(self, command: Command) -> Future[Any]:
        """Refuse a use, and take everything else."""
        if not isinstance(command, TouchSession):
            return super().submit(command)
        failed: Future[Any] = Future()
        failed.set_exception(StoreFull("The disk is full."))
        return failed


def test_a_use_that_cannot_be_kept_shuts_nobody_out(tmp_path: Path) -> None:
    """The disk is full: whoever is signed in must still see what came until then, and that it is full."""
    store, now = Full(tmp_path / "store", now=lambda: NOW), [NOW]
    terms = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))
    access = Access(store, terms, Passwords(), now=lambda: now[0], token=lambda: "token")

    async def used() -> Caller | None:
        await access.first_code(CODE)
        token = await access.first_sign_in(TYPED, code=CODE, again=PASSWORD)
        now[0] += timedelta(minutes=2)
        return await access.of_session(token)

    try:
        caller = asyncio.run(used())
        assert caller is not None
        assert caller.actor.name == "Ada Reis"
    finally:
        store.close()


def test_a_digest_is_sha_256() -> None:
    """FIPS 180-4's own example: "abc"."""
    assert digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_typed_password_is_not_shown_by_a_slip() -> None:
    """A traceback with what was typed holds no password."""
    assert PASSWORD not in repr(TYPED)
    with pytest.raises(AttributeError):
        TYPED.password = "x"  # type: ignore[misc]  # frozen, as is tried here


def test_a_password_again_makes_sure_for_the_sites_span_and_a_lock_ends_it(tmp_path: Path) -> None:
    """Sign-in counts as given; after the span it is asked; who is locked has no session until the password, and keeps the line of the old one (HZ-J04)."""
    at = [NOW]
    store = SqliteStore(tmp_path / "store", now=lambda: at[0])
    tokens = iter(f"token-{number}" for number in range(9))
    terms = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12), sure=timedelta(minutes=5))
    access = Access(store, terms, Passwords(), now=lambda: at[0], token=lambda: next(tokens))

    async def who(token: str) -> Caller:
        caller = await access.of_session(token)
        assert caller is not None
        return caller

    async def steps() -> None:
        await access.first_code(CODE)
        token = await access.first_sign_in(TYPED, code=CODE, again=PASSWORD)
        assert (await who(token)).is_sure
        at[0] = NOW + timedelta(minutes=5)
        ada = await who(token)
        assert not ada.is_sure
        for password, words in (("", "asks for your own"), ("wrong", "not right")):
            with pytest.raises(RefusedAction, match=words):
                await access.make_sure(ada, password=password, address="from 10.0.0.7")
        await access.make_sure(ada, password=PASSWORD, address="from 10.0.0.7")
        assert (await who(token)).is_sure
        await access.lock(ada)
        assert await access.of_session(token) is None
        later = await who(await access.sign_in(TYPED, replaces=token))
        assert ada.session is not None
        assert later.session is not None
        assert later.session.line == ada.session.line
        with pytest.raises(Overtaken, match="signed out"):
            await access.make_sure(ada, password=PASSWORD, address="from 10.0.0.7")
        other = await who(await access.sign_in(TYPED))
        assert other.session is not None
        assert other.session.line != ada.session.line

    try:
        asyncio.run(steps())
        assert [each.what for each in store.events("account:1")] == [
            "account.first", "account.signed_in", "password.again_failed", "password.again", "account.locked", "account.unlocked",
            "account.signed_in",
        ]  # fmt: skip
    finally:
        store.close()


def test_the_first_code_is_given_while_nobody_comes_in_who_may_administer(tmp_path: Path) -> None:
    """Whoever else is there: an envelope, a technician, the administrator of a directory that was left. Else nobody could ever administer again."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    tokens = iter(f"token-{number}" for number in range(9))
    terms = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))

    def access(issuer: str = "") -> Access:
        return Access(store, terms, Passwords(), now=lambda: NOW, token=lambda: next(tokens), taken=Taken(issuer=issuer))

    async def steps() -> None:
        assert await access(CARA.issuer).first_code(CODE) is False
        here = access()
        assert await here.first_code(CODE) is True
        came = await asyncio.gather(
            here.first_sign_in(TYPED, code=CODE, again=PASSWORD),
            here.first_sign_in(replace(TYPED, name="Eve"), code=CODE, again=PASSWORD),
            return_exceptions=True,
        )
        assert sorted(type(each).__name__ for each in came) == ["Overtaken", "str"]
        assert await access().first_code(CODE) is False

    try:
        seal(store, reason="before anybody", actor=BOOT, now=NOW, random=bytes)
        for each in (BEN, replace(CARA, role=Role.ADMINISTRATOR)):
            store.submit(KeepAccount(account=each, what="account.added", actor=BOOT, at=NOW)).result(10)
        asyncio.run(steps())
        assert len([each for each in store.accounts() if each.role is Role.ADMINISTRATOR and not each.issuer]) == 1
    finally:
        store.close()
