"""``padpost audit``: whether the history is as it was written. It only reads, and may be asked beside the running service."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from bridge import settings
from bridge.errors import SettingsError
from bridge.store.chain import BITS, Head, shown_entry
from bridge.store.chain_check import Walked, walk
from bridge.store.looking import looked_at

REMEDY = "Keep the store and its backups as they are now, and tell your administrator and whoever answers for the laboratory's records."


def verify(config_path: Path, heads: Sequence[str] = ()) -> int:
    """Walk the chain and print what it is; ``heads`` are seals noted elsewhere, as the log has them (`3-17=DIGEST`).

    Give 0 if it is as it was written, 1 if not. Raises SettingsError or StoreError.
    """
    noted = tuple(_head(text) for text in heads)
    with looked_at(settings.read_settings(config_path)) as db:
        found = walk(db, heads=noted)
    for line in _lines(found):
        print(line)
    if found.broken is None:
        print("intact")
        return 0
    print(f"BROKEN. {found.broken.sentence}\n{REMEDY}")
    return 1


def _lines(found: Walked) -> Iterator[str]:
    yield f"looked at: {found.entries} entries of {found.chains} chains, {found.events} events"
    if found.purged_before is not None:
        yield f"purged by the site's rule: {found.purged} events, all older than {found.purged_before:%Y-%m-%d %H:%M} UTC"
    for each in found.epochs:
        yield f"epoch {each.epoch} since {each.since:%Y-%m-%d %H:%M} UTC"
    if found.head is not None:
        seal = f"{shown_entry(found.head.entry_id)}={found.head.digest.hex()}"
        yield f"newest seal: {seal}"
        yield "  Note it where nobody who can change the store can: `padpost audit verify --seal` with it says later whether the history up to here still stands."


def _head(text: str) -> Head:
    name, _, digest = text.partition("=")
    chain, _, place = name.partition("-")
    try:
        found = Head(entry_id=(int(chain) << BITS) + int(place), digest=bytes.fromhex(digest))
    except ValueError:
        found = Head(0, b"")
    if len(found.digest) != 32:  # SHA-256
        raise SettingsError(
            f"{text} is no seal.", remedy="Write it as the log or an earlier verify has it: 3-17= and 64 hex digits."
        )
    return found
