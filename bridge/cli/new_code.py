"""``padpost new-code``: a one-time code for an account whose password nobody has any more, for who has the machine's console."""

from __future__ import annotations

import secrets
from pathlib import Path

from bridge import clock, settings
from bridge.accounts.policy import CODE_LASTS_WORDS
from bridge.app import open_store
from bridge.desk.accounts import AccountDesk
from bridge.errors import SetupError, StoreFailed
from bridge.letting_in import taken_of
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.sqlite import FILE

CONSOLE = Actor(name="the machine's console", verified="console")


def new_code(config_path: Path, name: str, reason: str) -> int:
    """Take an account's password away and print its one-time code; give 0.

    Whoever may run this may read the store's file anyhow: it opens no door that was shut. It is an event, with the reason.
    Raises SetupError where the site has no such account or takes no passwords, RefusedAction without a reason,
    StoreFailed where there is no store, StoreLocked while a service has an SQLite store.
    """
    config = settings.read_settings(config_path)
    if config.accounts.sign_in == "none":
        raise SetupError(
            "This site has no accounts.", remedy="Nobody needs a code: accounts.sign_in is none in the site configuration."
        )
    taken = taken_of(config.accounts)
    if not taken.passwords:
        raise SetupError(
            "This site takes no passwords: people sign in by the hospital's directory.",
            remedy="Set accounts.sign_in: both in the site configuration first, while the directory does not let in who is needed.",
        )
    store = open_kept(config)
    try:
        account = store.account_named(name)
        if account is None:
            raise SetupError(
                f"There is no account of the name {name!r}.",
                remedy="Give the name as it stands beside what its owner did. While nobody administers, padpost serve prints a code.",
            )
        desk = AccountDesk(store, clock.now, secrets.token_bytes, taken=taken)
        code = desk.new_code(account.account_id, reason=reason, actor=CONSOLE)
    finally:
        store.close()
    print(f"One-time code of {account.name}, {CODE_LASTS_WORDS}: {code}")
    print("Start the service, open /first-sign-in on the pages, and choose a password.")
    if not account.is_on:
        print("The account is switched off: an administrator must switch it on first.")
    return 0


def open_kept(config: settings.Settings) -> Store:
    """Open the site's store and make none: what is kept in a new one, in the wrong folder, nobody would find. Raises StoreError."""
    if config.database is None and not (file := config.site.data / FILE).is_file():
        raise StoreFailed(
            f"There is no store at {file}. Check site.data in the site configuration, and in which folder you are; padpost serve makes one."
        )
    return open_store(config)
