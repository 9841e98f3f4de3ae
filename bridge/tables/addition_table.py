"""What people may add to strips: which words there are, and what each analyzer's strips wait for.

Compiled from ``additions_document.AdditionsDocument`` and the site's file by ``additions.py``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from bridge.added import Addable
from bridge.model import Code, Priority, Step


@dataclass(frozen=True, kw_only=True, slots=True)
class AdditionTerms:
    """What an analyzer's patient strips are to be given by hand, and how long they wait for it: ``wait_minutes``, an urgent one ``stat_minutes``.

    ``holds``: what still lacks something then is held for a person; else it goes without.
    """

    asks: tuple[Addable, ...]
    wait_minutes: int
    stat_minutes: int
    holds: bool

    def wait(self, priority: Priority) -> timedelta:
        """Give how long a strip waits from when it could go."""
        return timedelta(minutes=self.stat_minutes if priority is Priority.STAT else self.wait_minutes)


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """One word that may be added. ``text`` is what people read; ``step`` the pad's, ``code`` the specimen type's."""

    word: str
    text: str
    step: Step | None = None
    code: Code | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class AdditionTable:
    """All that the site says of additions. ``terms`` is by analyzer; nothing is asked of one that has none."""

    terms: Mapping[str, AdditionTerms] = field(default_factory=dict)
    choices: Mapping[Addable, tuple[Choice, ...]] = field(default_factory=dict)

    def asked(self, analyzer: str, printed: Collection[str]) -> tuple[Addable, ...]:
        """Give what is asked for a strip of ``analyzer`` that has the pads ``printed`` already."""
        terms = self.terms.get(analyzer)
        return tuple(what for what in terms.asks if what.value not in printed) if terms else ()

    def choice(self, what: Addable, word: str) -> Choice | None:
        """Give the choice of a word; None where the site does not have it."""
        return next((each for each in self.choices.get(what, ()) if each.word == word), None)
