"""Rules tried over stored strips before they are signed: how many would have met each, beside the signed rules. Pure; nothing changes.

Both sets are tried on the strips as they are read today, by today's profiles and ladders, so that what differs is the rules alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime

from bridge.check import rules_met
from bridge.check.flagging import critical_steps
from bridge.coding.flags import met_rules
from bridge.model import Capture, Reading
from bridge.pipeline import understand
from bridge.tables.flag_table import CriticalRule
from bridge.tables.hold_table import DeclaredRule, RulesToTry
from bridge.tables.types import Tables

NOTHING = RulesToTry()
SHOWN = 5  # ours: examples a rule; enough to look at, and the list of strips has the others


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptStrip:
    """A patient's strip as it is stored. ``told`` names the rules of which somebody was to be told when it was judged, ``found`` all that spoke."""

    strip_id: int
    index: int
    number: str
    record_digest: str
    told: frozenset[str]
    found: frozenset[str] = frozenset()


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


@dataclass(frozen=True, kw_only=True, slots=True)
class TriedDeclared:
    """What became of one rule on what pads say together, as proposed: how many strips meet it, and how many bore it when they were judged.

    ``signed`` is how many meet the rule of that name in the signed set, None where that has none that is on. ``examples`` are the newest that meet it.
    """

    declared: DeclaredRule
    is_on: bool
    met: int
    signed: int | None
    found: int
    examples: tuple[Example, ...]


class Counts:
    """How many strips meet each of some rules, and the newest of them."""

    def __init__(self) -> None:
        self.met: Counter[str] = Counter()
        self.signed: Counter[str] = Counter()
        self.said: Counter[str] = Counter()
        self.examples: dict[str, list[Example]] = {}

    def add(
        self,
        met: AbstractSet[str],
        signed: AbstractSet[str],
        said: AbstractSet[str],
        *,
        shown: AbstractSet[str],
        example: Example,
    ) -> None:
        """Count a strip; it is an example of the rules in ``shown``."""
        self.met.update(met)
        self.signed.update(signed)
        self.said.update(said)
        for rule in shown:
            examples = self.examples.setdefault(rule, [])
            if len(examples) < SHOWN:
                examples.append(example)


class Rehearsal:
    """Counts over the captures that it is given, the newest first.

    ``looked_at`` strips were tried; ``purged`` ones have no bytes any more; ``unread`` ones are cut or read otherwise by today's profiles.
    """

    def __init__(
        self,
        tables: Tables,
        *,
        signed: Sequence[CriticalRule],
        profiles: Mapping[str, str],
        declared: RulesToTry = NOTHING,
        signed_declared: RulesToTry = NOTHING,
    ) -> None:
        """Take the proposed set, whose rules are tried whether they are on or off, and the signed rules that are on.

        ``profiles`` names, by source, the profile by which it is read today. ``declared`` are the proposed rules on what pads say together,
        ``signed_declared`` the signed ones.
        """
        self._tables = tables
        self._proposed = (*tables.flags.critical, *tables.flags.off)
        self._signed = tuple(signed)
        self._declared = declared
        self._signed_declared = signed_declared
        self._profiles = profiles
        self._critical = Counts()
        self._together = Counts()
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
        example = Example(
            strip_id=strip.strip_id, analyzer=kept.analyzer, number=strip.number, arrived_at=kept.capture.arrived_at
        )
        if self._proposed or self._signed:
            steps = critical_steps(reading, self._tables)
            met = {rule.rule for rule in met_rules(self._proposed, steps)}
            signed = {rule.rule for rule in met_rules(self._signed, steps)}
            proposed = {rule.rule for rule in self._proposed}
            self._critical.add(met, signed, strip.told, shown=met | (signed - proposed), example=example)
        if self._declared.declared:
            found = rules_met(reading, self._declared, self._tables)
            before = rules_met(reading, self._signed_declared, self._tables) & self._signed_declared.on
            self._together.add(found, before, strip.found, shown=found, example=example)

    def rules(self) -> tuple[TriedRule, ...]:
        """Give what became of each critical rule: the proposed ones that are on, those that are off, and those that only the signed set has."""
        proposed = [rule.rule for rule in self._proposed]
        signed = [rule.rule for rule in self._signed]
        on = {rule.rule for rule in self._tables.flags.critical}
        counts = self._critical
        return tuple(
            TriedRule(
                rule=rule,
                is_on=rule in on,
                met=counts.met[rule] if rule in proposed else None,
                signed=counts.signed[rule] if rule in signed else None,
                told=counts.said[rule],
                examples=tuple(counts.examples.get(rule, ())),
            )
            for rule in dict.fromkeys((*proposed, *signed))
        )

    def declared(self) -> tuple[TriedDeclared, ...]:
        """Give what became of each proposed rule on what pads say together, in the order of their file."""
        counts = self._together
        return tuple(
            TriedDeclared(
                declared=each,
                is_on=each.rule in self._declared.on,
                met=counts.met[each.rule],
                signed=counts.signed[each.rule] if each.rule in self._signed_declared.on else None,
                found=counts.said[each.rule],
                examples=tuple(counts.examples.get(each.rule, ())),
            )
            for each in self._declared.declared
        )
