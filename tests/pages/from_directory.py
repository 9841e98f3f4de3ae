"""Pages whose people come from a directory, and the way there and back as a browser goes it."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial

import httpx

from bridge.accounts.directory import DirectoryTerms
from bridge.accounts.people import Role
from bridge.accounts.taken import Taken
from bridge.credentials.passwords import Passwords
from bridge.deliver.http import Poster
from bridge.desk.access import Access
from bridge.desk.accounts import AccountDesk
from bridge.desk.arrivals import Arrivals
from bridge.desk.directory import LONGEST_ANSWER_BYTES, Directory, Here
from bridge.desk.envelopes import EnvelopeDesk
from bridge.pages.door import DirectoryDoor, Door
from bridge.settings import Tls
from tests.pages.peopled import TERMS, House, Person, benches_of
from tests.pages.stocked import Stocked
from tests.peers.directory_server import CLIENT, SECRET

GROUPS = {"lab": Role.TECHNICIAN, "lab-leads": Role.SUPERVISOR, "lab-it": Role.ADMINISTRATOR}
ANA = {"name": "Ana Lima", "preferred_username": "alima", "groups": ["staff", "lab"]}


def terms_of(issuer: str) -> DirectoryTerms:
    """Give whom the tests' site believes."""
    return DirectoryTerms(issuer=issuer, client_id=CLIENT, roles=GROUPS)


def directory_of(
    issuer: str, address: str, now: Callable[[], datetime], *, tls: Tls | None = None, every_time: bool = True
) -> Directory:
    """Give the way to a directory, over real HTTP."""
    poster = Poster(answer_s=10, longest_reply=LONGEST_ANSWER_BYTES, tls=tls, home=issuer)
    here = Here(address=address, scope="openid profile", secret=lambda: SECRET, every_time=every_time)
    return Directory(poster, terms_of(issuer), here, now=now, token=partial(secrets.token_urlsafe, 32))


def door_of(stocked: Stocked, issuer: str, port: int = 1, *, passwords: bool = True, every_time: bool = True) -> Door:
    """Give a door for people of a directory, and with ``passwords`` for those of the site as well, by the store's own clock."""

    def now() -> datetime:
        return stocked.now

    token = partial(secrets.token_urlsafe, 32)
    access = Access(stocked.store, TERMS, Passwords(), now=now, token=token, taken=Taken(passwords=passwords, issuer=issuer))
    directory = directory_of(issuer, f"http://127.0.0.1:{port}", now, every_time=every_time)
    return Door(
        access=access,
        desk=AccountDesk(stocked.store, now, secrets.token_bytes),
        envelopes=EnvelopeDesk(stocked.store, access, now, secrets.token_bytes),
        by_directory=DirectoryDoor(directory=directory, arrivals=Arrivals(stocked.store, access, now)),
        benches=benches_of(stocked, access),
    )


@contextlib.contextmanager
def serving(stocked: Stocked, issuer: str, *, passwords: bool = True, every_time: bool = True) -> Iterator[House]:
    """Serve the pages with such a door."""

    def door_at(port: int) -> Door:
        doors.append(door_of(stocked, issuer, port, passwords=passwords, every_time=every_time))
        return doors[-1]

    doors: list[Door] = []
    with stocked.serving(door=door_at) as visitor:
        house = House(stocked, doors[-1], visitor.port)
        try:
            yield house
        finally:
            house.close()


def back_of(person: Person, onward: str = "/", *, code: bool = False) -> str:
    """Go to the directory, which asks nothing; give the address that it sends the browser back to."""
    there = person.client.get("/sign-in/directory", params={"next": onward, **({"code": "yes"} if code else {})})
    assert there.status_code == 303, there.text
    return httpx.get(there.headers["location"], trust_env=False).headers["location"]


def come(person: Person, onward: str = "/", *, code: bool = False) -> httpx.Response:
    """Go to the directory and come back; give the answer to that, which is followed no further."""
    return person.client.get(back_of(person, onward, code=code))
