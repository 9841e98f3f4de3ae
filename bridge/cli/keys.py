"""``padpost make-key`` and ``padpost public-keys``: keys that sign, and what the other side needs to check them."""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bridge import clock
from bridge.credentials.keys import MAKERS, key_set, make_key, read_keys
from bridge.errors import SetupError


def make(
    folder: Path,
    alg: str,
    *,
    begins: str,
    days: int,
    now: Callable[[], datetime] = clock.now,
) -> int:
    """Make a key in ``folder`` that signs from ``begins`` (a date, or "" for now) for ``days``; give 0.

    Raises SetupError for an algorithm or a date that is none, or if the file cannot be written.
    """
    if alg not in MAKERS:
        raise SetupError(f"There is no algorithm {alg!r} here.", remedy=f"Use {', '.join(MAKERS)}.")
    starts = _moment(begins) if begins else now()
    ends = starts + timedelta(days=days)
    name = f"{starts:%Y%m%d}-{secrets.token_hex(4)}"  # the date sorts the files, the rest keeps two of a day apart
    path = make_key(folder, alg, starts=starts, ends=ends, name=name)
    print(f"{path}: {alg}, signs from {starts:%Y-%m-%d %H:%M} to {ends:%Y-%m-%d %H:%M} UTC")
    if alg == "HS256":
        print("It is a shared secret: hand its member k to the receiver's people by a way that nobody else can read.")
    else:
        print(f"Give the receiver's people the public keys before it signs: padpost public-keys {folder}")
    return 0


def _moment(begins: str) -> datetime:
    try:
        given = datetime.fromisoformat(begins)
    except ValueError:
        raise SetupError(f"{begins!r} is no date.", remedy="Write it as 2026-12-01.") from None
    return given if given.tzinfo else given.replace(tzinfo=UTC)


def show(folder: Path, *, now: Callable[[], datetime] = clock.now) -> int:
    """Print the public keys of ``folder`` as a JWK Set; give 0. Raises SettingsError, or SetupError for a shared secret."""
    print(json.dumps(key_set(read_keys(folder), now=now()), indent=2))
    return 0
