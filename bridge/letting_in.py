"""How people and programs come in, put together from the site's file; and the code for the first of them, said on the console."""

from __future__ import annotations

import secrets
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING

from bridge import clock, settings
from bridge.accounts.directory import DirectoryTerms
from bridge.accounts.people import Role, Terms
from bridge.accounts.policy import CODE_BYTES, code_text
from bridge.accounts.taken import Taken
from bridge.credentials.passwords import Passwords
from bridge.desk.access import TOKEN_BYTES, Access
from bridge.desk.accounts import AccountDesk
from bridge.desk.arrivals import Arrivals
from bridge.desk.benches import Benches
from bridge.desk.envelopes import EnvelopeDesk
from bridge.errors import SettingsError
from bridge.pages.door import DirectoryDoor, Door
from bridge.store.api import Store

if TYPE_CHECKING:
    from bridge.desk.directory import Directory

SHORTEST_KEY = 32  # ours: 128 random bits in hexadecimal


def door_of(config: settings.Settings, store: Store) -> Door | None:
    """Give how people come in; None where the site has no accounts."""
    if config.accounts.sign_in == "none":
        return None
    terms = Terms(
        idle=timedelta(minutes=config.accounts.idle_minutes),
        longest=timedelta(hours=config.accounts.longest_hours),
        sure=timedelta(minutes=config.accounts.password_again_minutes),
        emergency=timedelta(minutes=config.accounts.emergency_minutes),
    )
    token = partial(secrets.token_urlsafe, TOKEN_BYTES)
    oidc = config.accounts.oidc
    taken = taken_of(config.accounts)
    passwords = Passwords()
    access = Access(store, terms, passwords, now=clock.now, token=token, taken=taken)
    by_directory = None
    if oidc is not None:
        by_directory = DirectoryDoor(directory=directory_of(oidc), arrivals=Arrivals(store, access, clock.now))
    return Door(
        access=access,
        desk=AccountDesk(store, clock.now, secrets.token_bytes, taken=taken),
        envelopes=EnvelopeDesk(store, access, clock.now, secrets.token_bytes),
        behind_tls=config.pages.behind_tls,
        by_directory=by_directory,
        benches=benches_of(config.accounts, store, access, passwords),
    )


def taken_of(accounts: settings.Accounts) -> Taken:
    """Give whose accounts open anything here."""
    return Taken(
        passwords=accounts.sign_in in {"local", "both"}, issuer=accounts.oidc.issuer if accounts.oidc is not None else ""
    )


def benches_of(accounts: settings.Accounts, store: Store, access: Access, passwords: Passwords) -> Benches | None:
    """Give the shared benches; None where the site has none. Raises SettingsError where the key of badges is missing or short."""
    if accounts.quick_switch is None:
        return None
    longest = timedelta(hours=accounts.longest_hours)
    key = badge_key_of(accounts.quick_switch)
    return Benches(store, access, passwords, badge_key=key, longest=longest, now=clock.now)


def badge_key_of(quick_switch: settings.QuickSwitch) -> bytes:
    """Give the secret that badges are kept under. Raises SettingsError where it is missing or short, with its place in the site's file."""
    secret, place = quick_switch.badge_key, ("accounts", "quick_switch", "badge_key", "env")
    try:
        key = secret.value().encode()
    except SettingsError as error:
        raise SettingsError(error.sentence, remedy=error.remedy, path=place) from error
    if len(key) < SHORTEST_KEY:
        raise SettingsError(
            f"The secret {secret.env} has fewer than {SHORTEST_KEY} characters.",
            remedy="Give it random ones, for example by `openssl rand -hex 32`.",
            path=place,
        )
    return key


def directory_of(oidc: settings.Oidc) -> Directory:
    """Give the way to the directory that the site's file names."""
    from bridge.deliver.http import Poster  # noqa: PLC0415 - an HTTP client and 11 MB of libraries, which only a site with a directory loads
    from bridge.desk.directory import LONGEST_ANSWER_BYTES, Directory, Here  # noqa: PLC0415 - as above

    poster = Poster(answer_s=oidc.answer_s, longest_reply=LONGEST_ANSWER_BYTES, tls=oidc.tls, home=oidc.issuer)
    terms = DirectoryTerms(
        issuer=oidc.issuer,
        client_id=oidc.client_id,
        roles={group: Role(role) for group, role in oidc.roles.items()},
        name_claim=oidc.name_claim,
        groups_claim=oidc.groups_claim,
    )
    here = Here(address=oidc.address, scope=oidc.scope, secret=oidc.client_secret.value, every_time=oidc.every_time)
    return Directory(poster, terms, here, now=clock.now, token=partial(secrets.token_urlsafe, TOKEN_BYTES))


async def directory_fault(oidc: settings.Oidc) -> str:
    """Ask the directory what it can do; give "" or in a sentence why people could not sign in by it."""
    directory = directory_of(oidc)
    try:
        return await directory.look()
    finally:
        await directory.close()


async def first_words(door: Door | None) -> str:
    """Give what the console says while nobody administers, with a code of this start; "" where somebody does. The code goes into no log."""
    code = code_text(secrets.token_bytes(CODE_BYTES))
    if door is None or not await door.access.first_code(code):
        return ""
    return f"Nobody administers here yet. Open /first-sign-in on the pages and make the administrator's account. One-time code: {code}"
