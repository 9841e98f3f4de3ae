"""Who signed which table set, and whether a live destination may be sent what a table set coded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

SHOWN = 12  # ours: as many digits of a digest tell table sets apart on a page; the file and `padpost sign-off` have all 64


@dataclass(frozen=True, kw_only=True, slots=True)
class Signature:
    """A named person's word that a table set was checked. ``tables`` is the set's digest; ``at`` is aware; ``words`` may be empty."""

    tables: str
    by: str
    at: datetime
    words: str = ""


def newest_signature(signatures: Iterable[Signature], digest: str) -> Signature | None:
    """Give the last signature of a table set in the order of the file, None where nobody signed it."""
    return next((each for each in reversed(tuple(signatures)) if each.tables == digest), None)


def unsigned_reason(signatures: Iterable[Signature], digest: str, waiting: Iterable[str]) -> str:
    """Say why a live destination stays shut; nothing where it may open.

    ``digest`` is the table set in use, ``waiting`` those that results waiting for the destination were coded with.
    """
    signed = {each.tables for each in signatures}
    if digest not in signed:
        return "The tables in use are not signed. Results wait, and go once your coordinator has signed them (padpost sign-off)."
    earlier = sorted({each for each in waiting if each not in signed})
    if earlier:
        return (
            f"Results wait that were coded with earlier tables, which are not signed: {', '.join(each[:SHOWN] for each in earlier)}. "
            "Ask your coordinator; docs/how-to/sign-the-tables.md says what can be done."
        )
    return ""
