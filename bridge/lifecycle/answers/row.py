"""What every table of answers is made of: a row, and a receiver's words cut to what a person can read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.model import Answer

OTHER = "other"  # the key of what no row of a table names
LONGEST_TEXT = 2_000  # bytes of UTF-8; ours: what a person reads on one screen, after FHIR practice of keeping 2 kB of a body


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """What one kind of answer means for the delivery, and why."""

    answer: Answer
    why: str


def words(parts: Iterable[str]) -> str:
    """Join a receiver's words, each once, without control characters, cut at LONGEST_TEXT bytes."""
    seen: dict[str, None] = {}
    for part in parts:
        plain = " ".join("".join(char if char.isprintable() else " " for char in part).split())
        if plain:
            seen.setdefault(plain)
    return "; ".join(seen).encode("utf-8", "replace")[:LONGEST_TEXT].decode("utf-8", "ignore")
