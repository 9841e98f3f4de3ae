"""How long results took, stage by stage, from the analyzer's print to the receiver's acknowledgement. Adds up by day."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo

from bridge.bench.spread import Spread, together


class Stage(StrEnum):
    """From one moment of a result's way to another."""

    BROUGHT = "printed to arrived"
    LET_GO = "arrived to let go"
    SENT = "let go to sent"
    ANSWERED = "sent to acknowledged"
    OURS = "arrived to acknowledged"
    WHOLE = "printed to acknowledged"


class By(StrEnum):
    """What results are told apart by."""

    ALL = "all"
    PRIORITY = "priority"
    ANALYZER = "analyzer"
    RECEIVER = "receiver"
    HOUR = "hour of arrival"


class Went(NamedTuple):  # a tuple, since thousands are made for a day: a third of a dataclass's time
    """One receiver's part: when its message was first sent and acknowledged, None for not yet; ``is_over`` says that no more can come of it.

    ``was_refused``: the receiver turned it away at some time.
    """

    receiver: str
    sent_at: datetime | None
    acknowledged_at: datetime | None
    is_over: bool
    was_refused: bool = False


class Travelled(NamedTuple):  # as above
    """One patient's strip whose result went on its way. Times are aware.

    ``printed_at`` is the time on the strip as it was accepted, None where none was. ``let_go_at``: when its result was first made, which is at once
    unless the strip waited for controls or a person. A correction later is another result's way, and changes none of these times.
    """

    analyzer: str
    priority: str
    printed_at: datetime | None
    arrived_at: datetime
    let_go_at: datetime
    ways: tuple[Went, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Times:
    """The times of some days. ``spreads`` by what they are told apart by, its name (an hour as ``07``), and stage.

    ``backwards`` counts by stage what has no length, since it ended before it began: a clock was wrong, or set meanwhile. ``results``
    counts strips, ``ways`` results by receiver, ``unanswered`` those of them that were not acknowledged, ``refused`` those that the receiver turned away at some time.
    """

    spreads: Mapping[tuple[By, str, Stage], Spread] = field(default_factory=dict)
    backwards: Mapping[Stage, int] = field(default_factory=dict)
    results: int = 0
    ways: int = 0
    unanswered: int = 0
    refused: int = 0

    def of(self, by: By, name: str, stage: Stage) -> Spread:
        """Give one spread, empty where nothing came."""
        return self.spreads.get((by, name, stage), Spread())

    def names(self, by: By) -> tuple[str, ...]:
        """Give what there is of one kind, in order."""
        return tuple(sorted({name for kind, name, _ in self.spreads if kind is by}))


def times_of(strips: Iterable[Travelled], zone: ZoneInfo) -> Times:
    """Reckon the times of strips. Hours are of the site's clock; one that came twice in autumn is one."""
    found: dict[tuple[By, str, Stage], Counter[int]] = defaultdict(Counter)
    backwards: Counter[Stage] = Counter()
    results = ways = unanswered = refused = 0
    for strip in strips:
        results += 1
        hour = f"{strip.arrived_at.astimezone(zone):%H}"
        groups = ((By.ALL, ""), (By.PRIORITY, strip.priority), (By.ANALYZER, strip.analyzer), (By.HOUR, hour))
        for stage, begun, ended in _of_strip(strip):
            _add(found, backwards, groups, stage, (begun, ended))
        for way in strip.ways:
            ways += 1
            unanswered += way.acknowledged_at is None
            refused += way.was_refused
            for stage, begun, ended in _of_way(strip, way):
                _add(found, backwards, (*groups, (By.RECEIVER, way.receiver)), stage, (begun, ended))
    return Times(
        spreads={key: Spread(dict(counts)) for key, counts in found.items()},
        backwards=dict(backwards),
        results=results,
        ways=ways,
        unanswered=unanswered,
        refused=refused,
    )


_Ends = tuple[datetime | None, datetime | None]
_Staged = tuple[Stage, datetime | None, datetime | None]


def _of_strip(strip: Travelled) -> tuple[_Staged, ...]:
    return (
        (Stage.BROUGHT, strip.printed_at, strip.arrived_at),
        (Stage.LET_GO, strip.arrived_at, strip.let_go_at),
    )


def _of_way(strip: Travelled, way: Went) -> tuple[_Staged, ...]:
    return (
        (Stage.SENT, strip.let_go_at, way.sent_at),
        (Stage.ANSWERED, way.sent_at, way.acknowledged_at),
        (Stage.OURS, strip.arrived_at, way.acknowledged_at),
        # a strip that was printed after it came has a wrong clock: its whole way has no length either
        (Stage.WHOLE, strip.printed_at, way.acknowledged_at if _is_sound(strip) else None),
    )


def _is_sound(strip: Travelled) -> bool:
    return strip.printed_at is None or strip.printed_at <= strip.arrived_at


def _add(
    found: dict[tuple[By, str, Stage], Counter[int]],
    backwards: Counter[Stage],
    groups: tuple[tuple[By, str], ...],
    stage: Stage,
    ends: _Ends,
) -> None:
    begun, ended = ends
    if begun is None or ended is None:
        return
    if ended < begun:
        backwards[stage] += 1
        return
    length = ended - begun
    seconds = length.days * 86_400 + length.seconds
    for by, name in groups:
        # hours are shown of one stage alone, and a month must be added up within a few milliseconds
        if by is not By.HOUR or stage is Stage.OURS:
            found[by, name, stage][seconds] += 1


def added(days: Iterable[Times]) -> Times:
    """Add the times of days up."""
    kept: dict[tuple[By, str, Stage], list[Spread]] = defaultdict(list)
    backwards: Counter[Stage] = Counter()
    results = ways = unanswered = refused = 0
    for day in days:
        for key, spread in day.spreads.items():
            kept[key].append(spread)
        backwards.update(day.backwards)
        results += day.results
        ways += day.ways
        unanswered += day.unanswered
        refused += day.refused
    return Times(
        spreads={key: together(spreads) for key, spreads in kept.items()},
        backwards=dict(backwards),
        results=results,
        ways=ways,
        unanswered=unanswered,
        refused=refused,
    )
