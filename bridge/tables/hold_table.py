"""What the site says of holds: rules declared as rows, and on which terms a person may decide about what a rule stopped.

Compiled from ``holds_document.HoldsDocument`` by ``holds.py``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from bridge.model import Severity

Alternatives = tuple[tuple[str, frozenset[int]], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ReleasePolicy:
    """Who may release what a rule holds: ``persons`` names, and ``bulk``: with others of the same reason at once (that goes for a discard too)."""

    persons: Literal[1, 2] = 1
    bulk: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class DeclaredRule:
    """One row: a stable id, what it asks for (a note or a hold), and its texts. ``report`` is a comment for the result's reader, mostly empty."""

    rule: str
    severity: Severity
    sentence: str
    remedy: str
    report: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PadRule:
    """A declared rule on one strip type: of each of ``when``'s alternatives (pad, ranks of steps) one pad must stand at one of its steps."""

    declared: DeclaredRule
    when: tuple[Alternatives, ...]

    def met_by(self, ranks: Mapping[str, int]) -> str:
        """Give the first pad by which a strip meets the rule, "" if it does not. ``ranks`` holds the step of each pad."""
        first = ""
        for alternatives in self.when:
            for pad, steps in alternatives:
                if ranks.get(pad) in steps:
                    first = first or pad
                    break
            else:
                return ""  # most strips meet none of the first: this is asked of every one
        return first


@dataclass(frozen=True, kw_only=True, slots=True)
class LookAlike:
    """A declared rule on what a strip looks like as a whole: asked of strips with ``abnormal_pads`` or more. ``steps``: how far a pad may be off."""

    declared: DeclaredRule
    abnormal_pads: int
    steps: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class RulesToTry:
    """The declared rules on what pads say together, on or off, to be tried over stored strips: the conditions by strip type, and who is on."""

    declared: tuple[DeclaredRule, ...] = ()
    pads: Mapping[str, tuple[PadRule, ...]] = field(default_factory=dict)
    on: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True, slots=True)
class HoldTable:
    """All that the site says of holds. ``pads`` is by strip type; ``policies`` by rule, declared ones included; ``off`` counts rules that are switched off."""

    pads: Mapping[str, tuple[PadRule, ...]] = field(default_factory=dict)
    control: LookAlike | None = None
    previous: LookAlike | None = None
    policies: Mapping[str, ReleasePolicy] = field(default_factory=dict)
    reports: Mapping[str, str] = field(default_factory=dict)
    off: int = 0

    @property
    def least_abnormal(self) -> int | None:
        """Give how many abnormal pads a strip must have before anything is asked of its neighbours; None where nothing ever is."""
        return min((each.abnormal_pads for each in (self.control, self.previous) if each is not None), default=None)

    def policy(self, rules: Iterable[str]) -> ReleasePolicy:
        """Give the strictest terms among several rules; a rule without a row asks for one person and is never decided about in bulk."""
        found = [self.policies.get(rule, ReleasePolicy()) for rule in rules]
        persons: Literal[1, 2] = 2 if any(each.persons == 2 for each in found) else 1
        return ReleasePolicy(persons=persons, bulk=bool(found) and all(each.bulk for each in found))
