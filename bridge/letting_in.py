"""How people and programs come in, put together from the site's file; and the code for the first of them, said on the console."""

from __future__ import annotations

import secrets
from datetime import timedelta
from functools import partial

from bridge import clock, settings
from bridge.accounts.people import Terms
from bridge.accounts.policy import CODE_BYTES, code_text
from bridge.credentials.passwords import Passwords
from bridge.desk.access import TOKEN_BYTES, Access
from bridge.desk.accounts import AccountDesk
from bridge.pages.door import Door
from bridge.store.api import Store


def door_of(config: settings.Settings, store: Store) -> Door | None:
    """Give how people come in; None where the site has no accounts."""
    if config.accounts.sign_in == "none":
        return None
    terms = Terms(
        idle=timedelta(minutes=config.accounts.idle_minutes),
        longest=timedelta(hours=config.accounts.longest_hours),
        sure=timedelta(minutes=config.accounts.password_again_minutes),
    )
    token = partial(secrets.token_urlsafe, TOKEN_BYTES)
    return Door(
        access=Access(store, terms, Passwords(), now=clock.now, token=token),
        desk=AccountDesk(store, clock.now, secrets.token_bytes),
        behind_tls=config.pages.behind_tls,
    )


async def first_words(door: Door | None) -> str:
    """Give what the console says while there is no account, with a code of this start; "" where there is one. The code goes into no log."""
    code = code_text(secrets.token_bytes(CODE_BYTES))
    if door is None or not await door.access.first_code(code):
        return ""
    return f"There is no account yet. Open /first-sign-in on the pages and make the administrator's. One-time code: {code}"
