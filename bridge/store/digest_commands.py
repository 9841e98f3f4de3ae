"""What the store can be told of the digest of a shift: a frozen value, one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepDigest:
    """Keep what the digest of ``due`` says, to be said by each of ``ways``. Gives whether it was kept (bool), which of several processes is true for one.

    False where the digest of that time, or of a later one, was kept before. The first time of a store is only marked, and nothing is said: it
    came before anybody asked for a digest. What a way has not said yet of an earlier one is dropped. ``headline`` and ``text`` name no patient.
    """

    due: datetime
    ways: tuple[str, ...]
    headline: str
    text: str
    at: datetime
