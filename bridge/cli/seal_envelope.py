"""``padpost seal-envelope``: what goes into the sealed emergency envelope, for who has the machine's console."""

from __future__ import annotations

import secrets
from pathlib import Path

from bridge import clock, settings
from bridge.cli.new_code import CONSOLE, open_kept
from bridge.desk.envelopes import seal
from bridge.errors import SetupError


def seal_envelope(config_path: Path, reason: str) -> int:
    """Print what goes into a new envelope, once; give 0. An earlier one that was not opened opens nothing any more. It is an event, with the reason.

    Raises SetupError where the site has no accounts, RefusedAction without a reason, StoreFailed where there is no store, StoreLocked while
    a service has an SQLite store.
    """
    config = settings.read_settings(config_path)
    if config.accounts.sign_in == "none":
        raise SetupError(
            "This site has no accounts.", remedy="Nobody needs an envelope: accounts.sign_in is none in the site configuration."
        )
    store = open_kept(config)
    try:
        secret = seal(store, reason=reason, actor=CONSOLE, now=clock.now(), random=secrets.token_bytes)
        number = store.envelopes(limit=1)[0].envelope_id
    finally:
        store.close()
    print(f"Envelope {number}: {secret}")
    print("It is shown this once. Write it down, seal it in an envelope with this number and the date on it, and lock that away.")
    print("Whoever opens it goes to /emergency on the pages. An older envelope opens nothing any more: destroy it.")
    return 0
