"""Where is my strip? One field takes what a label, a slip or a receiver's message says, and the answer says how far each strip came."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import Response

from bridge.bench.answered import GapPart
from bridge.lifecycle.states import OPEN_DELIVERY, STOPPED_DELIVERY, StopGroup
from bridge.model import DeliveryState
from bridge.pages.analyzers import missing_lately
from bridge.pages.forms import RequiresToken, ShowsPage, Text
from bridge.pages.language import _
from bridge.pages.numbers import missing_words
from bridge.pages.site import PagesSite
from bridge.pages.way import Way, newest_of, way_of_strip
from bridge.pages.withdrawal import StandingStill, withdrawal_of
from bridge.pages.words import DELIVERY_WORDS, GROUP_MARKS, OUTCOME_WORDS, Mark, begin
from bridge.store.api import Store
from bridge.store.rows import DeliveryRow, FoundBy, FoundStrip, NearNumber, StopRow

MOST = 20  # ours: strips of one kind on the answer; who has more to look through goes to Results
MOST_MISSING = 10  # ours: holes that are named; Numbers has all
REACH = 16  # ours: numbers on either side among which the nearest are looked for
NEAR_FOR = timedelta(days=7)  # ours: neighbours of weeks ago tell nothing of a strip that somebody looks for now
LOOKED_THROUGH = 20  # ours: of each reason, the newest pieces that could not be read and that are looked through for the text
SHORTEST = 4  # ours: characters; a shorter text stands in any bytes by chance
AROUND = timedelta(minutes=5)  # ours: how well a person remembers when a strip was run
_TIME = re.compile(r"(?:(\d{4}-\d{2}-\d{2})[ T])?(\d{1,2}):(\d{2})")


@dataclass(frozen=True, kw_only=True, slots=True)
class Answered:
    """One strip of the answer: how far it came in a word and a sentence, and where it can be looked at."""

    found: FoundStrip
    mark: Mark
    word: str
    sentence: str
    way: Way
    link: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Nowhere:
    """What can be said where nothing was found: the neighbours of a number, numbers that never arrived, and what else may be the cause."""

    near: tuple[NearNumber, ...]
    missing: tuple[tuple[GapPart, str, tuple[str, ...]], ...]
    unread: int
    being_judged: int
    is_time: bool = False
    torn: tuple[StopRow, ...] = ()


class Where:
    """Makes the routes."""

    def __init__(
        self, store: Store, site: PagesSite, show: ShowsPage, require_token: RequiresToken, now: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/find", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/find", self.find, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show the field."""
        return self._answer(request, "", (), None)

    def find(self, request: Request, token: Text = "", text: Text = "") -> Response:
        """Say where a strip is; by POST, so that an identifier is in no address and no log."""
        self._require_token(request, token)
        wanted = text.strip()
        found = self._found(wanted) if wanted else ()
        return self._answer(request, wanted, found, self._nowhere(wanted) if wanted and not found else None)

    def _found(self, wanted: str) -> tuple[FoundStrip, ...]:
        moments = moments_of(wanted, now=self._now(), zone=self._site.zone)
        if not moments:
            return self._store.find_strips(wanted, limit=MOST)
        around = timedelta(minutes=1) + AROUND
        found = (each for at in moments for each in self._store.strips_between(at - AROUND, at + around, limit=MOST + 1))
        return tuple({each.strip.strip_id: each for each in found}.values())

    def _answer(self, request: Request, wanted: str, found: Sequence[FoundStrip], nowhere: Nowhere | None) -> Response:
        by_kind = {
            kind: tuple(self._answered(each) for each in found if each.kind is kind)
            for kind in FoundBy
            if any(each.kind is kind for each in found)
        }
        shown = {
            "wanted": wanted,
            "kinds": tuple((kind, rows[:MOST], len(rows) > MOST) for kind, rows in by_kind.items()),
            "nowhere": nowhere,
        }
        return self._show(request, "where.html", shown)

    def _answered(self, found: FoundStrip) -> Answered:
        strip = found.strip
        deliveries = self._store.deliveries(strip.result_id) if strip.result_id else ()
        newest = newest_of(deliveries)
        states = tuple((each.destination, each.state) for each in newest)
        if strip.outcome == "withdrawn":
            states = withdrawal_of(self._store.corrections(result_id=strip.result_id), strip.result_id)
        stop = self._store.stop(found.stop_id) if found.stop_id is not None else None
        if strip.outcome == "withdrawn":
            withdrawn = StandingStill(self._store).withdrawn(states)
            mark = Mark.CANNOT if withdrawn.still_there else Mark.END
            word, sentence = _("withdrawn"), f"{begin(withdrawn.sentence)}."
        elif stop is not None:
            word = _("turned away") if stop.group is StopGroup.REFUSED else _("stopped")
            mark, sentence = GROUP_MARKS[stop.group], stop.sentence
        else:
            mark, word, sentence = how_far(strip.outcome, newest)
        link = f"/rejected/{stop.stop_id}" if stop else f"/results/{strip.result_id}" if newest else f"/strips/{strip.strip_id}"
        way = way_of_strip(strip, [state for _, state in states])
        return Answered(found=found, mark=mark, word=word, sentence=sentence, way=way, link=link)

    def _torn(self, wanted: str) -> tuple[StopRow, ...]:
        """Give the newest stops whose bytes could not be read and hold the text: of a strip that was cut, its label is often still there."""
        if len(wanted) < SHORTEST:
            return ()
        sought = wanted.encode()
        unread = (rule for _, rule, _ in self._store.open_reasons() if rule.startswith("read."))
        stops = (stop for rule in unread for stop in self._store.stops(rule=rule, limit=LOOKED_THROUGH))
        return tuple(stop for stop in stops if stop.capture_id is not None and sought in self._bytes(stop, stop.capture_id))

    def _bytes(self, stop: StopRow, capture_id: int) -> bytes:
        payload = self._store.capture(capture_id).capture.payload
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        return payload[strip.place.start : strip.place.end] if strip else payload

    def _nowhere(self, wanted: str) -> Nowhere:
        now = self._now()
        number = int(wanted) if wanted.isascii() and wanted.isdecimal() and len(wanted) < 8 else None  # longer ones are IDs
        near = () if number is None else self._store.numbers_near(number, reach=REACH, since=now - NEAR_FOR)
        missing = tuple(
            (part, missing_words(part.gap), self._site.send_again.get(part.gap.analyzer, ()))
            for part in missing_lately(self._store, self._site, now=now)
            if number is None or part.gap.first <= number <= part.gap.last
        )
        return Nowhere(
            near=near,
            missing=missing[:MOST_MISSING],
            unread=sum(count for _, rule, count in self._store.open_reasons() if rule.startswith("read.")),
            being_judged=sum(row.waiting_to_be_judged for row in self._store.analyzers()),
            torn=self._torn(wanted),
            is_time=bool(moments_of(wanted, now=now, zone=self._site.zone)),
        )


def how_far(outcome: str, deliveries: Sequence[DeliveryRow]) -> tuple[Mark, str, str]:
    """Say in a mark, a word and a sentence how far a strip came that no open stop is about: arrived, waiting, stopped, sent, received, filed."""
    if not deliveries:
        words = OUTCOME_WORDS.get(outcome, outcome)
        if outcome == "coded":
            return Mark.END, _("arrived"), _("It became a result, and no receiver is configured for it.")
        if outcome == "waiting":
            return Mark.WAIT, _("waiting"), _("It arrived and is {outcome}.", outcome=words)
        return Mark.END, _("arrived"), _("It arrived: {outcome}.", outcome=words)
    sentence = "; ".join(f"{each.destination}: {DELIVERY_WORDS[each.state]}" for each in deliveries) + "."
    states = {each.state for each in deliveries} - {DeliveryState.SUPERSEDED}
    if states & STOPPED_DELIVERY:
        return Mark.TURNED, _("turned away"), sentence
    if states & {DeliveryState.SENDING, DeliveryState.RETRYING, DeliveryState.COMMITTED}:
        return Mark.WAIT, _("sent"), sentence
    if states & OPEN_DELIVERY:
        return Mark.WAIT, _("waiting to be sent"), sentence
    if states == {DeliveryState.ACCEPTED}:
        filed = all(_is_filed(each) for each in deliveries if each.state is DeliveryState.ACCEPTED)
        return Mark.DONE, _("filed") if filed else _("received"), sentence
    return Mark.END, _("arrived"), sentence


def _is_filed(delivery: DeliveryRow) -> bool:
    """Say whether the receiver itself says that it has processed the result.

    HL7 2.5.1 section 2.9: AA is an application's acceptance, CA says only that the message is kept. FHIR R4 http.html: 200 of a transaction
    says that its resources were created. A folder or a web hook says nothing of what becomes of a message.
    """
    return delivery.last_code.startswith(("AA", "HTTP 20"))


def moments_of(text: str, *, now: datetime, zone: ZoneInfo) -> tuple[datetime, ...]:
    """Read ``08:42`` (the last time that it was so) or ``2026-11-25 08:42``, of the site's clock, in UTC; none for what is no time.

    Two where the clock is set back over it: nobody who remembers the time knows which of them it was (PEP 495: fold).
    """
    match = _TIME.fullmatch(text)
    if match is None:
        return ()
    local = now.astimezone(zone)
    try:
        clock = time(int(match[2]), int(match[3]))
        day = date.fromisoformat(match[1]) if match[1] else local.date()
    except ValueError:
        return ()
    if not date.min.year < day.year < date.max.year:  # it has a day before it and one behind it, in every zone
        return ()
    moment = datetime.combine(day, clock, tzinfo=zone)
    if not match[1] and moment > now:
        moment -= timedelta(days=1)
    first, again = moment.astimezone(UTC), moment.replace(fold=1).astimezone(UTC)
    return (first, again) if again > first else (first,)  # the second is less where the clock jumps over it
