"""Numbered strips for the fault tests: the same seed, way and number always give the same bytes, whatever died in between."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from bridge import settings
from bridge.demo.printers import Play, printed
from bridge.site import default_policy, load_tables
from bridge.tables.types import Tables
from tests.journey.layouts import as_hl7, as_json

PATIENTS = 5  # a way's patients: few, so that each has many strips and their order can break
MOST_STRIPS = 3  # of one file
STAT_WORD = "S"  # of the profiles' modes, in records; messages and posts say the same in their own words
PADS = ("ph", "leukocytes", "glucose", "nitrite", "protein")  # on both strip types of the profiles


@dataclass(frozen=True, kw_only=True)
class Strip:
    """One strip. ``name`` is the specimen number that every message of it carries."""

    name: str
    patient: str
    is_stat: bool = False


@dataclass(frozen=True, kw_only=True)
class Batch:
    """What is sent in one piece: one strip on a line, up to three in a file. ``text`` is its records, without frames."""

    name: str
    strips: tuple[Strip, ...]
    text: bytes

    @property
    def records(self) -> tuple[bytes, ...]:
        """Give the records one by one, as a line sends them: one a frame."""
        return tuple(self.text.splitlines(keepends=True))


@cache
def shipped() -> Tables:
    """Give the tables that come with Padpost."""
    return load_tables(settings.shipped_mappings(), None, default_policy(), zone=ZoneInfo("UTC"))


@dataclass(frozen=True, kw_only=True)
class Inventor:
    """Makes up the batches of one way in. ``letter`` tells the ways' strips and patients apart.

    ``began`` is what the first strip's date is counted from: a second a strip, so that no two of a patient look like one.
    """

    profile: str
    letter: str
    seed: int
    began: datetime

    def batch(self, number: int) -> Batch:
        """Give the ``number``-th batch, from 0."""
        chance = random.Random(f"{self.seed}:{self.letter}:{number}")
        count = chance.randint(1, MOST_STRIPS) if self.letter == "F" else 1
        first = number * MOST_STRIPS + 1
        plays = [self._play(first + place, chance) for place in range(count)]
        return Batch(
            name=f"{self.letter}{number:05d}.txt",
            strips=tuple(Strip(name=play.specimen_id, patient=play.patient_id, is_stat=play.word == STAT_WORD) for play in plays),
            text=self._written(plays),
        )

    def _written(self, plays: Sequence[Play]) -> bytes:
        """Give the bytes as the profile has them; a message or a post holds one strip."""
        match self.profile:
            case "dipper":
                return as_hl7(plays[0], shipped(), control_id=f"{self.letter}{plays[0].number:05d}")
            case "lark":
                return as_json(plays[0], shipped())
        return printed(plays, shipped().profiles[self.profile], shipped())

    def _play(self, number: int, chance: random.Random) -> Play:
        strip_type = chance.choice(("sedge-5", "quill-10"))
        return Play(
            number=number,
            at=self.began + timedelta(seconds=number),
            patient_id=f"40{ord(self.letter)}{chance.choice(range(number % 2, PATIENTS, 2)):04d}",  # never the one of the strip before
            word=chance.choice("NNNNNS"),
            strip_type=strip_type,
            specimen_id=f"{self.letter}{number:05d}",
            ranks=self._ranks(strip_type, chance),
        )

    @staticmethod
    def _ranks(strip_type: str, chance: random.Random) -> Mapping[str, int]:
        pads = shipped().strip_types[strip_type].pads
        return {pad.pad: chance.randrange(len(pad.ladder)) for pad in pads if pad.pad in PADS}
