"""The pages of a site with accounts: people of each role, their browsers, and a clock that a test moves."""

from __future__ import annotations

import contextlib
import re
import secrets
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx

from bridge.accounts.people import PEOPLE, Account, Role, Terms
from bridge.credentials.passwords import Passwords
from bridge.desk.access import Access
from bridge.desk.accounts import AccountDesk, NewKey
from bridge.desk.benches import Benches
from bridge.desk.envelopes import EnvelopeDesk
from bridge.model import Actor
from bridge.pages.door import Door
from bridge.store.account_commands import KeepAccount
from tests.pages.stocked import Page, Stocked, Visitor

NAMES = {Role.VIEWER: "Vera Pinto", Role.TECHNICIAN: "Ana Lima", Role.SUPERVISOR: "Sam Costa", Role.ADMINISTRATOR: "Ada Reis"}
PASSWORD = "four plain garden words"
# Argon2id of PASSWORD with 8 KiB and one pass, so that a test that signs in does not wait; the hasher reads the terms from the hash itself
HASH = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHRzb21lc2FsdA$kvwZYOZfVpu6S0APleKxzoQxlrS2bw1LSLpjBALk1+0"
BOOT = Actor(name="Setup", verified="service")
TERMS = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))


def door_of(stocked: Stocked, *, behind_tls: bool = False) -> Door:
    """Give a door over a store, by the store's own clock."""

    def token() -> str:
        return secrets.token_urlsafe(32)

    access = Access(stocked.store, TERMS, Passwords(), now=lambda: stocked.now, token=token)
    return Door(
        access=access,
        desk=AccountDesk(stocked.store, lambda: stocked.now, secrets.token_bytes),
        envelopes=EnvelopeDesk(stocked.store, access, lambda: stocked.now, secrets.token_bytes),
        behind_tls=behind_tls,
        benches=benches_of(stocked, access),
    )


def benches_of(stocked: Stocked, access: Access) -> Benches:
    """Give the shared benches over a store."""
    return Benches(stocked.store, access, Passwords(), badge_key=b"k" * 32, longest=TERMS.longest, now=lambda: stocked.now)


def people(stocked: Stocked) -> dict[Role, Account]:
    """Keep an account of each role, all with one password; give them."""
    made = {}
    for role in reversed(PEOPLE):
        account = Account(account_id=0, name=NAMES[role], role=role, secret=HASH)
        command = KeepAccount(account=account, what="account.added", actor=BOOT, at=stocked.now)
        number = stocked.store.submit(command).result(10)
        made[role] = stocked.store.account(number)
    return {role: account for role, account in made.items() if account is not None}


def key(door: Door, *, acts: bool = False) -> str:
    """Make a key for a program."""
    return door.desk.make_key(NewKey(name="ward list", acts=acts, days=30), actor=BOOT)


class Person(Visitor):
    """A browser in which somebody may be signed in."""

    def token(self, path: str = "/results") -> str:
        """Give the token of the forms that this browser is shown."""
        found = set(re.findall(r'name="token" value="([0-9a-f]{64})"', self.get(path).text))
        return str(found.pop()) if found else ""

    def sign_in(self, name: str, password: str = PASSWORD, *, onward: str = "/") -> httpx.Response:
        """Sign in as the page's form does."""
        fields = {"name": name, "password": password, "next": onward, "token": self.token("/sign-in")}
        return self.client.post("/sign-in", data=fields, headers={"origin": self.origin})

    def post(self, path: str, **fields: str) -> httpx.Response:
        """Send a form as a page of ours does, with one's own password, which grave acts ask for."""
        return super().post(path, **{"own_password": PASSWORD, **fields})

    def send(self, path: str, **fields: str) -> httpx.Response:
        """Send a form without a token of its own."""
        return self.client.post(path, data=fields, headers={"origin": self.origin})

    def shown(self, path: str) -> Page:
        """Give a page that must be there."""
        return self.page(path)


class House:
    """A stocked store that is served with accounts."""

    def __init__(self, stocked: Stocked, door: Door, port: int) -> None:
        self.stocked = stocked
        self.door = door
        self.port = port
        self._open: list[httpx.Client] = []

    def browser(self, token: str = "") -> Person:
        """Give a browser in which nobody is signed in, or one that holds this token."""
        client = httpx.Client(base_url=f"http://127.0.0.1:{self.port}", timeout=20, trust_env=False)
        self._open.append(client)
        if token:
            client.cookies.set(self.door.cookie, token, domain="127.0.0.1")
        return Person(client, self.port)

    def person(self, role: Role) -> Person:
        """Give a browser in which somebody of this role is signed in."""
        person = self.browser()
        assert person.sign_in(NAMES[role]).status_code == 303
        return person

    def close(self) -> None:
        """Close every browser."""
        for client in self._open:
            client.close()


@contextlib.contextmanager
def serving(stocked: Stocked, *, behind_tls: bool = False, **site: Any) -> Iterator[House]:
    """Serve the pages with accounts. ``site``: what else of PagesSite is not the usual."""
    door = door_of(stocked, behind_tls=behind_tls)
    with stocked.serving(door=door, **site) as visitor:
        house = House(stocked, door, visitor.port)
        try:
            yield house
        finally:
            house.close()
