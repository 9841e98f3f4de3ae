"""What the list of rejected messages is narrowed to, and what it could be narrowed to with how many rows each. All of it stands in the address."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal
from urllib.parse import urlencode

from pydantic import BaseModel, Field

from bridge.lifecycle.ageing import AGES, Age, Span, span
from bridge.lifecycle.states import StopGroup
from bridge.pages.forms import LONGEST_FIELD, LONGEST_ID
from bridge.pages.language import _, later
from bridge.pages.words import AGE_WORDS, begin, reason
from bridge.store.rows import StopCount, StopSearch

NOBODY = "-"  # ours: in an address, what nobody has taken; no person is called so
_Word = Annotated[str, Field(max_length=LONGEST_FIELD)]


class Narrowed(BaseModel):
    """What an address asks for; "" asks for every one. ``after`` is the last row of the page before."""

    group: StopGroup | None = None
    rule: _Word = ""
    analyzer: _Word = ""
    receiver: _Word = ""
    age: Literal["", "new", "waiting", "long", "very long"] = ""
    owner: _Word = ""
    after: Annotated[int | None, Field(ge=0, le=LONGEST_ID)] = None

    def search(self, *, now: datetime) -> StopSearch:
        """Give the same as the store is asked."""
        within = span(Age(self.age), now=now) if self.age else Span(after=None, until=None)
        return StopSearch(
            group=self.group,
            rule=self.rule,
            analyzer=self.analyzer,
            destination=self.receiver,
            owner=None if not self.owner else "" if self.owner == NOBODY else self.owner,
            opened_after=within.after,
            opened_until=within.until,
        )

    def query(self, **other: object) -> str:
        """Give the address's query of this list with something else in it; "" where nothing is left of it, else from the ``?``."""
        asked = {**self.model_dump(exclude={"after"}), **other}
        said = urlencode({name: str(value) for name, value in asked.items() if value})
        return f"?{said}" if said else ""

    @property
    def is_narrowed(self) -> bool:
        """Say whether anything is left out but by its group."""
        return any(getattr(self, name) for name in _VALUES)


@dataclass(frozen=True, kw_only=True, slots=True)
class Option:
    """One value that a list can be narrowed to: as the address has it, in words, and how many rows it leaves."""

    value: str
    words: str
    count: int
    is_chosen: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Facet:
    """One thing that a list is narrowed by. ``every`` is what it is called where it narrows nothing."""

    name: str
    label: str
    every: str
    options: tuple[Option, ...]


_VALUES: Mapping[str, Callable[[StopCount], str]] = {
    "rule": lambda each: each.rule,
    "analyzer": lambda each: each.analyzer,
    "receiver": lambda each: each.destination,
    "age": lambda each: AGES[each.age],
    "owner": lambda each: each.owner or NOBODY,
}
_LABELS = (
    ("rule", later("Reason"), later("every reason")),
    ("analyzer", later("Analyzer or source"), later("every one")),
    ("receiver", later("Receiver"), later("with any or none")),
    ("age", later("Waits"), later("however long")),
    ("owner", later("Taken by"), later("anybody or nobody")),
)


def facets(counts: Sequence[StopCount], narrowed: Narrowed) -> Iterator[Facet]:
    """Give what the list can be narrowed by. A value's count is that of the rows which the others leave."""
    for name, label, every in _LABELS:
        left: Counter[str] = Counter()
        for each in counts:
            if _fits(each, narrowed, apart_from=name) and (value := _VALUES[name](each)):
                left[value] += each.count
        chosen = getattr(narrowed, name)
        values = sorted({*left, chosen} - {""}, key=lambda value: _order(name, value))
        options = (Option(value=v, words=_words(name, v), count=left[v], is_chosen=v == chosen) for v in values)
        yield Facet(name=name, label=_(label), every=_(every), options=tuple(options))


@dataclass(frozen=True, kw_only=True, slots=True)
class Digest:
    """How long what is stopped has waited: the ages that there are, the oldest first, each with its count; and how many nobody has taken."""

    ages: tuple[tuple[Age, int], ...]
    free: int


def digest(counts: Sequence[StopCount]) -> Digest:
    """Sum up what waits by age."""
    by_age = Counter[Age]()
    for each in counts:
        by_age[AGES[each.age]] += each.count
    ages = tuple((age, by_age[age]) for age in reversed(AGES) if by_age[age])
    return Digest(ages=ages, free=sum(each.count for each in counts if not each.owner))


def count_of(counts: Sequence[StopCount], narrowed: Narrowed, group: StopGroup) -> int:
    """Count the rows of one group that the list shows."""
    return sum(each.count for each in counts if each.group is group and _fits(each, narrowed))


def _fits(each: StopCount, narrowed: Narrowed, *, apart_from: str = "") -> bool:
    return (narrowed.group in {None, each.group}) and all(
        name == apart_from or getattr(narrowed, name) in {"", value(each)} for name, value in _VALUES.items()
    )


def _order(name: str, value: str) -> tuple[int, str]:
    """Ages from the new to the old, nobody before everybody, all else by its words."""
    if name == "age":
        return AGES.index(Age(value)), ""
    return int(value != NOBODY), _words(name, value).casefold()


def _words(name: str, value: str) -> str:
    if name == "rule":
        return begin(reason(value))
    if name == "age":
        return AGE_WORDS[Age(value)]
    return _("nobody yet") if name == "owner" and value == NOBODY else value
