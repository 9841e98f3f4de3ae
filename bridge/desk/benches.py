"""Shared benches: a browser is marked as one, opened by a password, and people then switch there by badge or PIN. What is grave asks for the password still."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from bridge.accounts.people import Account
from bridge.accounts.policy import plain_name
from bridge.accounts.quick import BY_BADGE, BY_PIN, Bench, Quick, badge_fault, may_switch, pin_fault
from bridge.credentials.passwords import Passwords
from bridge.desk.access import NOBODY, Access, Caller, digest_of
from bridge.desk.who import require_reason
from bridge.errors import RefusedAction
from bridge.identity.person import bare
from bridge.store.account_commands import BeginTry, NoteAccess
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench

NOT_OPEN = "Nobody can switch at this browser now. Sign in with your password: a shared bench is open from then on."
NOT_SWITCHED = "The badge, or the name and PIN, are not right, or this account signs in with its password. After several wrong ones in a row the next is taken only after a while."
NOT_QUICK = "Supervisors, administrators and people of the hospital's directory sign in with the password: they have no PIN and no badge here."


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """What somebody showed at a bench: a badge's text, or a name and a PIN; and from where."""

    badge: str = field(default="", repr=False)
    name: str = ""
    pin: str = field(default="", repr=False)
    address: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Chosen:
    """What somebody chose to switch by, each twice, with the password as it is; "" leaves it, ``drops`` takes both away."""

    password: str = field(repr=False)
    pin: str = field(default="", repr=False)
    pin_again: str = field(default="", repr=False)
    badge: str = field(default="", repr=False)
    badge_again: str = field(default="", repr=False)
    drops: bool = False


class Benches:
    """Marks, opens and ends benches, and lets people switch there."""

    def __init__(
        self,
        store: Store,
        access: Access,
        passwords: Passwords,
        *,
        badge_key: bytes,
        longest: timedelta,
        now: Callable[[], datetime],
    ) -> None:
        """``badge_key`` is the site's secret that badges are kept under; a bench is open for ``longest`` after a password."""
        self._store = store
        self._access = access
        self._passwords = passwords
        self._badge_key = badge_key
        self._longest = longest
        self._now = now

    # --- benches

    async def mark(self, caller: Caller, name: str, token: str) -> None:
        """Keep the browser that gets ``token`` as a bench, open from now on. Raises RefusedAction."""
        plain, now = plain_name(name), self._now()
        if not plain:
            raise RefusedAction("Give the bench a name of 2 to 60 characters, as its people call it.")
        made = Bench(bench_id=0, name=plain, digest=digest_of(token), made_by=caller.actor.name, made_at=now)
        number = await done(self._store, MarkBench(bench=made, actor=caller.actor, at=now))
        await done(self._store, OpenBench(bench_id=number, until=now + self._longest, actor=caller.actor, at=now))

    async def end(self, caller: Caller, bench_id: int, reason: str) -> None:
        """End a bench. Raises RefusedAction without a reason, Overtaken where it is ended."""
        require_reason(reason)
        await done(self._store, EndBench(bench_id=bench_id, actor=caller.actor, reason=reason.strip(), at=self._now()))

    async def of_browser(self, token: str) -> Bench | None:
        """Give the bench of the browser that holds ``token``; None where it is none (any more)."""
        bench: Bench | None = await ask(self._store, self._store.bench, digest_of(token)) if token else None
        return bench if bench is not None and not bench.ended_by else None

    async def opened(self, token: str, session_token: str) -> None:
        """Open the bench of a browser in which somebody has just signed in with the password."""
        bench = await self.of_browser(token)
        who = await self._access.of_session(session_token) if bench is not None else None
        if bench is None or who is None or who.account is None or who.account.issuer:
            return
        now = self._now()
        await done(self._store, OpenBench(bench_id=bench.bench_id, until=now + self._longest, actor=who.actor, at=now))

    # --- switching

    async def switch(self, token: str, shown: Shown, *, replaces: str) -> str:
        """Give a new session's token in place of the one with ``replaces``. Raises RefusedAction."""
        bench = await self.of_browser(token)
        if bench is None or not bench.is_open(self._now()):
            raise RefusedAction(NOT_OPEN)
        name_key = f"badge:{bench.bench_id}" if shown.badge else f"quick:{digest_of(bare(shown.name))}"
        begun = await self._access.begin(BeginTry(name_key=name_key, address_key=f"address:{shown.address}", at=self._now()))
        account = await (self._by_badge(shown.badge) if shown.badge else self._by_pin(shown))
        if account is None or not account.is_on or not may_switch(account) or not self._access.taken.takes(account):
            await self._note_failed(shown, bench)
            raise RefusedAction(NOT_SWITCHED)
        known_by = BY_BADGE if shown.badge else BY_PIN
        return await self._access.open(
            account, begun, f"{shown.address}, bench {bench.name}", replaces=replaces, known_by=known_by
        )

    async def _by_badge(self, badge: str) -> Account | None:
        quick = await ask(self._store, self._store.quick_by_badge, self._badge(badge))
        return await ask(self._store, self._store.account, quick.account_id) if quick is not None else None

    async def _by_pin(self, shown: Shown) -> Account | None:
        account = await ask(self._store, self._store.account_named, shown.name)
        quick = await ask(self._store, self._store.quick, account.account_id) if account is not None else None
        is_right = await self._passwords.is_right(quick.pin if quick is not None else "", shown.pin)
        return account if is_right else None

    async def _note_failed(self, shown: Shown, bench: Bench) -> None:
        account = None if shown.badge else await ask(self._store, self._store.account_named, shown.name)
        subject = f"account:{account.account_id}" if account is not None else "sign-in"
        reason = f"{shown.address}, bench {bench.name}"
        await done(self._store, NoteAccess(what="switch.failed", subject=subject, actor=NOBODY, reason=reason, at=self._now()))

    # --- what one switches by

    async def choose(self, caller: Caller, chosen: Chosen, address: str) -> None:
        """Keep what who is signed in switches by; asks for the password as it is. Raises RefusedAction, Overtaken."""
        assert caller.account is not None
        account = caller.account
        if not may_switch(account) and not chosen.drops:
            raise RefusedAction(NOT_QUICK)
        fault = _fault(chosen)
        if fault:
            raise RefusedAction(fault)
        await self._access.make_sure(caller, password=chosen.password, address=address)
        before = await ask(self._store, self._store.quick, account.account_id) or Quick(account_id=account.account_id)
        quick, what = Quick(account_id=account.account_id), "account.quick_dropped"
        if not chosen.drops:
            pin = await self._passwords.hash(chosen.pin) if chosen.pin else before.pin
            badge = self._badge(chosen.badge) if chosen.badge else before.badge
            quick, what = replace(quick, pin=pin, badge=badge), "account.quick_chosen"
        await done(self._store, KeepQuick(quick=quick, what=what, actor=caller.actor, at=self._now()))

    def _badge(self, text: str) -> str:
        return hmac.new(self._badge_key, b"padpost badge\0" + text.strip().encode("utf-8", "replace"), hashlib.sha256).hexdigest()


def _fault(chosen: Chosen) -> str:
    if chosen.drops:
        return ""
    if not chosen.pin and not chosen.badge:
        return "Choose a PIN, or scan your badge twice."
    fault = pin_fault(chosen.pin, chosen.pin_again) if chosen.pin else ""
    return fault or (badge_fault(chosen.badge.strip(), chosen.badge_again.strip()) if chosen.badge else "")
