"""The page Analyzers: settings that likely spoil what each sends, and how its clock stands by the strips that it sent as they were read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import Response

from bridge.bench.clock import Clock, offsets
from bridge.bench.feed import LikelySetting, spoilt, unsent
from bridge.bench.gaps import Gap, gaps_before
from bridge.model import ClockFacts
from bridge.pages.clock_chart import ClockDrawing, by_words, clock_drawing
from bridge.pages.site import PagesSite
from bridge.pages.try_out import ShowsPage
from bridge.store.api import Store
from bridge.tables.types import ClockRule

SERIES_WINDOW = timedelta(days=2)  # ours: a number that is missing since yesterday can still be sent from the analyzer's memory
CAME = 20  # ours: strips looked at for a setting; the words say how many in a row, and no more than this matter
LOOKED_AT = 1_000  # ours: strips of an analyzer that a chart is made from; most of them tell an offset where the line is live


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownClock:
    """An analyzer's clock: how it stands in words, whether that asks for something, and its chart (None without a strip to draw)."""

    analyzer: str
    facts: ClockFacts
    words: str
    is_off: bool
    stops: bool
    drawing: ClockDrawing | None


def shown_clock(store: Store, site: PagesSite, analyzer: str) -> ShownClock:
    """Give how the clock of one analyzer stands."""
    rule = site.bench.tables.policy.clock or ClockRule()
    clock = Clock(rule.strips)
    told = offsets(store.heard_strips(analyzer, limit=LOOKED_AT), clock)
    facts = clock.facts()
    off = abs(facts.offset) if facts.offset is not None else timedelta()
    return ShownClock(
        analyzer=analyzer,
        facts=facts,
        words=_words(facts),
        is_off=off > timedelta(minutes=rule.note_minutes),
        stops=site.bench.tables.policy.clock is not None and rule.stops and off > timedelta(minutes=rule.hold_minutes),
        drawing=clock_drawing(told, rule, site.zone) if told else None,
    )


def _words(facts: ClockFacts) -> str:
    if facts.offset is not None:
        return f"Its clock is {by_words(facts.offset)}, by the median of its last {facts.strips} strips."
    if facts.strips == 0:
        return "Nothing can be told of its clock: no strip with a time came over a line as it was read."
    return "Nothing can be told of its clock yet: its last strips are too few, or differ too much."


def clocks_off(store: Store, site: PagesSite, analyzers: tuple[str, ...]) -> Mapping[str, str]:
    """Say of each analyzer whose clock is further off than the site wants to know of; nothing where the site does not ask."""
    rule = site.bench.tables.policy.clock
    if rule is None:
        return {}
    found: dict[str, str] = {}
    for analyzer in analyzers:
        clock = Clock(rule.strips)
        offsets(store.heard_strips(analyzer, limit=4 * rule.strips), clock)
        offset = clock.facts().offset
        if offset is not None and abs(offset) > timedelta(minutes=rule.note_minutes):
            found[analyzer] = f"clock {by_words(offset)}"
    return found


def likely_settings(store: Store, analyzers: Iterable[str], gaps: Iterable[Gap]) -> tuple[LikelySetting, ...]:
    """Say which settings at analyzers likely stop or spoil what they send, once each."""
    lately = (each for analyzer in analyzers for each in spoilt(analyzer, store.came_lately(analyzer, limit=CAME)))
    return (*unsent(gaps), *lately)


class Analyzers:
    """Makes the route of the page."""

    def __init__(self, store: Store, site: PagesSite, show: ShowsPage, now: Callable[[], datetime]) -> None:
        self._now = now
        self._store = store
        self._site = site
        self._show = show

    def add_to(self, routes: APIRouter) -> None:
        """Add the route."""
        routes.add_api_route("/analyzers", self.page, methods=["GET"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show every analyzer that was ever heard."""
        names = tuple(row.analyzer for row in self._store.analyzers())
        gaps = gaps_before(self._store.number_runs(since=self._now() - SERIES_WINDOW), self._site.schemes)
        shown = {
            "clocks": tuple(shown_clock(self._store, self._site, name) for name in names),
            "rule": self._site.bench.tables.policy.clock,
            "settings": likely_settings(self._store, names, gaps),
        }
        return self._show(request, "analyzers.html", shown)
