"""Critical rules tried over stored strips before they are signed: how many would have met each, beside the signed rules. Pure; nothing changes.

Both sets are tried on the strips as they are read today, by today's profiles and ladders, so that what differs is the rules alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from bridge.check.flagging import critical_steps
from bridge.coding.flags import met_rules
from bridge.model import Capture, Reading
from bridge.pipeline import understand
from bridge.tables.flag_table import CriticalRule
from bridge.tables.types import Tables

SHOWN = 5  # ours: examples a rule; enough to look at, and the list of strips has the others


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptStrip:
    """A patient's strip as it is stored. ``told`` names the rules of which somebody was to be told when it was judged."""

    strip_id: int
    index: int
    number: str
    record_digest: str
    told: frozenset[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Kept:
    """A stored capture with its patients' strips, copies left out. Its payload is empty once it was purged."""

    capture_id: int
    analyzer: str
    profile: str
    capture: Capture
    strips: tuple[KeptStrip, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Example:
    """A strip that meets a rule, without anything of its patient. ``arrived_at`` is aware."""

    strip_id: int
    analyzer: str
    number: str
    arrived_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class TriedRule:
    """What became of one rule: how many strips meet it by the proposed set and by the signed one, and of how many somebody was to be told.

    ``met`` None: the proposed set has no such rule; ``signed`` None: the signed set has none that is on. ``is_on`` is of the proposed one.
    ``examples`` are the newest that meet the proposed rule, or the signed one where it is proposed no more.
    """

    rule: str
    is_on: bool
    met: int | None
    signed: int | None
    told: int
    examples: tuple[Example, ...]


class Rehearsal:
    """Counts over the captures that it is given, the newest first.

    ``looked_at`` strips were tried; ``purged`` ones have no bytes any more; ``unread`` ones are cut or read otherwise by today's profiles.
    """

    def __init__(self, tables: Tables, *, signed: Sequence[CriticalRule], profiles: Mapping[str, str]) -> None:
        """Take the proposed set, whose rules are tried whether they are on or off, and the signed rules that are on.

        ``profiles`` names, by source, the profile by which it is read today.
        """
        self._tables = tables
        self._proposed = (*tables.flags.critical, *tables.flags.off)
        self._signed = tuple(signed)
        self._profiles = profiles
        self._met: Counter[str] = Counter()
        self._signed_met: Counter[str] = Counter()
        self._told: Counter[str] = Counter()
        self._examples: dict[str, list[Example]] = {}
        self.looked_at = 0
        self.purged = 0
        self.unread = 0

    def add(self, kept: Kept) -> None:
        """Try the rules on the strips of one capture."""
        if not kept.capture.payload:
            self.purged += len(kept.strips)
            return
        readings = self._readings(kept) if kept.strips else {}
        for strip in kept.strips:
            reading = readings.get((strip.index, strip.record_digest))
            if reading is None:
                self.unread += 1
            else:
                self._try(reading, strip, kept)

    def _readings(self, kept: Kept) -> dict[tuple[int, str], Reading]:
        profile = self._tables.profiles.get(self._profiles.get(kept.capture.source, kept.profile))
        found = understand(kept.capture, profile, analyzer=kept.analyzer) if profile else ()
        return {(each.index, each.record_digest): each for each in found if isinstance(each, Reading)}

    def _try(self, reading: Reading, strip: KeptStrip, kept: Kept) -> None:
        self.looked_at += 1
        steps = critical_steps(reading, self._tables)
        met = {rule.rule for rule in met_rules(self._proposed, steps)}
        signed = {rule.rule for rule in met_rules(self._signed, steps)}
        self._met.update(met)
        self._signed_met.update(signed)
        self._told.update(strip.told)
        proposed = {rule.rule for rule in self._proposed}
        example = Example(
            strip_id=strip.strip_id, analyzer=kept.analyzer, number=strip.number, arrived_at=kept.capture.arrived_at
        )
        for rule in met | (signed - proposed):
            examples = self._examples.setdefault(rule, [])
            if len(examples) < SHOWN:
                examples.append(example)

    def rules(self) -> tuple[TriedRule, ...]:
        """Give what became of each rule: the proposed ones that are on, those that are off, and those that only the signed set has."""
        proposed = [rule.rule for rule in self._proposed]
        signed = [rule.rule for rule in self._signed]
        on = {rule.rule for rule in self._tables.flags.critical}
        return tuple(
            TriedRule(
                rule=rule,
                is_on=rule in on,
                met=self._met[rule] if rule in proposed else None,
                signed=self._signed_met[rule] if rule in signed else None,
                told=self._told[rule],
                examples=tuple(self._examples.get(rule, ())),
            )
            for rule in dict.fromkeys((*proposed, *signed))
        )
