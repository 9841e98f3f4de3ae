"""What a person adds to a strip beside its pads: the colour and clarity that were seen, and the type of the specimen."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Addable(StrEnum):
    """What may be added. The first two are pads of the catalogue."""

    COLOUR = "colour"
    CLARITY = "clarity"
    SPECIMEN_TYPE = "specimen_type"


@dataclass(frozen=True, kw_only=True, slots=True)
class Addition:
    """What a person said of one of them: a word of the site's table, or "" where nothing is said of it. ``by`` is the person's name; ``at`` aware, UTC."""

    what: Addable
    word: str
    by: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AddedFacts:
    """What was added to a reading before. ``is_overdue``: its time to be added to is over, and the site holds what lacks something then."""

    values: tuple[Addition, ...] = ()
    is_overdue: bool = False


NAMES = {Addable.COLOUR: "colour", Addable.CLARITY: "clarity", Addable.SPECIMEN_TYPE: "specimen type"}


def listed(whats: Collection[Addable]) -> str:
    """Give them in words: ``colour, clarity and specimen type``."""
    *first, last = (NAMES[what] for what in whats)
    return f"{', '.join(first)} and {last}" if first else last
