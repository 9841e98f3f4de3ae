"""What Today shows, gathered from the store and added up by bench."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from bridge.bench.answered import GapAnswer, GapPart
from bridge.bench.feed import LikelySetting
from bridge.bench.gaps import gaps_before
from bridge.bench.period import begin_of
from bridge.bench.tally import DayTally, Fate, Standing, TalliedDelivery, TalliedStrip, fate_of, standing_of, tally
from bridge.bench.timeline import Hour, Outage, hours_of, outages_of
from bridge.desk.waits import Pile, piles
from bridge.lifecycle.ageing import edges
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import DestinationState, StopGroup
from bridge.model import Priority
from bridge.pages.analyzers import clocks_off, likely_settings, missing_lately
from bridge.pages.controls import ShownGate, shown_gates
from bridge.pages.language import _, later
from bridge.pages.site import PagesSite
from bridge.pages.telling import ToDo, to_do
from bridge.store.api import Store
from bridge.store.rows import AnalyzerRow, DayStrips, DestinationRow, StopCount, StopRow, StopSearch, StripRow
from bridge.tables.types import NumberScheme

STORE_FAILED = later(
    "No strip is taken and nothing is sent any more. Keep the slips and work by your procedure for a broken link; tell your administrator."
)
REFUSING = later(
    "No strip is taken in, though results that are here already are still sent: analyzers are told to send again, files stay where they are."
    " Tell your administrator."
)
STORE_FULL = later(
    "No strip can be kept until there is room on the disk: analyzers are told to send again, files stay where they are."
    " Tell your administrator."
)
STORE_AWAY = later(
    "No strip can be kept and nothing is sent until the database answers again: analyzers are told to send again, files stay where they are."
    " Tell your administrator."
)
CONTROLS_SHOWN = 12  # ours: a morning's controls; the list has all
URGENT = 20  # ours: STAT rows shown on Today; the list shows all


@dataclass(frozen=True, kw_only=True, slots=True)
class Today:
    """Everything on Today. ``last_through`` is when a receiver last acknowledged a strip; ``faults`` stand above all, then the ``notice``.

    ``settings`` are those at analyzers that likely stop or spoil what they send. ``clocks`` says of each analyzer whose clock is off how far.
    ``missing`` are the numbers that were passed over lately and that nobody has accounted for: what stands right before a number that came
    within ``SERIES_WINDOW``.
    ``tellings`` are the critical results that nobody closed, what is overdue first. ``runs`` counts the runs that are held for what went missing in them.
    ``pauses`` are the receivers that people paused, ``hours`` and ``outages`` the course of the day. ``piles`` are what waits, by cause; ``stop_counts`` what of it is stopped, as a list is narrowed by it. ``non_patient`` are the newest of the day's, ``non_patients`` counts them all.
    """

    faults: tuple[str, ...]
    notice: str
    counts: Mapping[StopGroup, int]
    urgent: tuple[StopRow, ...]
    last_through: datetime | None
    analyzers: tuple[AnalyzerRow, ...]
    clocks: Mapping[str, str]
    missing: tuple[GapPart, ...]
    settings: tuple[LikelySetting, ...]
    gates: tuple[ShownGate, ...]
    to_review: int
    in_spite: int
    tellings: tuple[ToDo, ...]
    runs: int
    non_patient: tuple[StripRow, ...]
    non_patients: int
    destinations: tuple[DestinationRow, ...]
    pauses: Mapping[str, Pause]
    hours: tuple[Hour, ...]
    outages: tuple[Outage, ...]
    stop_counts: tuple[StopCount, ...]
    piles: tuple[Pile, ...]
    tally: DayTally
    unreadable_captures: int
    refused_files: int
    date: date

    def missing_of(self, analyzer: str, most: int) -> int:
        """Count the numbers of an analyzer that were passed over lately and that nobody has accounted for; a jump over more than ``most`` is a question."""
        return sum(part.gap.count for part in self.missing if part.gap.analyzer == analyzer and not part.is_question(most))

    def asks_of(self, analyzer: str, most: int) -> bool:
        """Say whether a person is to say if an analyzer's number was set by hand."""
        return any(part.gap.analyzer == analyzer and part.is_question(most) for part in self.missing)

    @property
    def stopped(self) -> int:
        """Count everything that waits for a person."""
        return sum(self.counts.values())

    @property
    def has_sent_controls(self) -> bool:
        """Say whether a control of the day went to a receiver."""
        return any(strips for to in self.tally.destinations for strips in to.controls.values())


def today(store: Store, site: PagesSite, *, now: datetime) -> Today:
    """Gather what Today shows at ``now``."""
    local = now.astimezone(site.zone)
    begun = begin_of(local.date(), site.zone)
    day = store.day(local.date(), site.zone)
    counts = store.open_stops()
    non_patients = day.of("non_patient")
    analyzers = analyzers_of(store, site)
    missing = missing_lately(store, site, now=now)
    destinations = destinations_of(store, site, since=begun)
    pauses = {pause.destination: pause for pause in store.pauses()}
    stop_counts = store.stop_counts(edges(now))
    return Today(
        faults=(*faults(store, site), *degraded(site)),
        notice=site.notice(),
        counts={group: counts.get(group, 0) for group in StopGroup},
        urgent=store.urgent_stops(StopSearch(priority=Priority.STAT), limit=URGENT),
        last_through=_last_through(store, day),
        analyzers=analyzers,
        clocks=clocks_off(store, site, tuple(row.analyzer for row in analyzers)),
        missing=missing,
        settings=likely_settings(store, tuple(row.analyzer for row in analyzers), (part.gap for part in missing)),
        gates=shown_gates(store, site.bench.tables.controls.policy, now=now),
        to_review=len(store.look_backs(is_open=True)),
        in_spite=_in_spite(store, site, now=now),
        tellings=to_do(store.tellings_open(), site.bench.tables.policy.telling, now=now),
        runs=len(store.held_runs()),
        non_patient=tuple(strip for strip_id in non_patients[:CONTROLS_SHOWN] if (strip := store.strip(strip_id)) is not None),
        non_patients=len(non_patients),
        destinations=destinations,
        pauses=pauses,
        stop_counts=stop_counts,
        piles=piles(stop_counts, store.waiting_for_controls(), destinations, paused=pauses),
        hours=hours_of(store.arrivals(local.date(), site.zone), site.zone),
        outages=outages_of(store.door_moves(since=begun), since=begun),
        tally=tally_of(day, site.schemes, store.gap_answers(gaps_before(day.runs, site.schemes))),
        unreadable_captures=len(day.of("unreadable")),
        refused_files=day.refused_files,
        date=day.day,
    )


def _in_spite(store: Store, site: PagesSite, *, now: datetime) -> int:
    """Count what was sent since yesterday morning though its controls were not right; nothing is asked where the site has no gate."""
    if site.bench.tables.controls.policy is None:
        return 0
    yesterday = now.astimezone(site.zone).date() - timedelta(days=1)
    return len(store.sent_in_spite(since=begin_of(yesterday, site.zone)))


def faults(store: Store, site: PagesSite) -> tuple[str, ...]:
    """Give in words what keeps the service from working, each once; empty while all is well."""
    own = []
    if store.fault:
        own.append(f"{_(STORE_FAILED)} {store.fault}")
    if store.away:
        own.append(f"{_(STORE_AWAY)} {store.away}")
    if store.shortage:
        own.append(f"{_(STORE_FULL)} {store.shortage}")
    # the service's loops repeat what the store says of itself
    return (*own, *(each for each in dict.fromkeys(site.not_ready()) if not _repeats(each, store)))


def degraded(site: PagesSite) -> tuple[str, ...]:
    """Give in words what is not done while all else goes on; empty while all is well. A restart would not help."""
    refusing = site.refusing()
    return (f"{_(REFUSING)} {refusing}",) if refusing else ()


def _repeats(fault: str, store: Store) -> bool:
    return any(known and known in fault for known in (store.fault, store.away, store.shortage))


def _last_through(store: Store, day: DayStrips) -> datetime | None:
    """Give when a receiver last acknowledged: of today's strips, else of the newest result."""
    if day.last_accepted_at is not None:
        return day.last_accepted_at
    newest = store.results(limit=1)
    deliveries = store.deliveries(newest[0].result_id) if newest else ()
    return max((each.accepted_at for each in deliveries if each.accepted_at is not None), default=None)


def destinations_of(store: Store, site: PagesSite, *, since: datetime) -> tuple[DestinationRow, ...]:
    """Give every configured destination, one that the store never heard of as open and empty; then former ones."""
    known = {row.name: row for row in store.destinations(since=since)}
    configured = tuple(known.pop(name) if name in known else _untouched(name) for name in site.destinations)
    return (*configured, *known.values())


def analyzers_of(store: Store, site: PagesSite) -> tuple[AnalyzerRow, ...]:
    """Give every analyzer that was ever heard, then those that are set up and never were: a cable that is plugged in nowhere shows itself."""
    heard = store.analyzers()
    silent = sorted(site.schemes.keys() - {row.analyzer for row in heard})
    never = (AnalyzerRow(analyzer=name, last_strip_at=None, last_number="", waiting_to_be_judged=0) for name in silent)
    return (*heard, *never)


def _untouched(name: str) -> DestinationRow:
    return DestinationRow(
        name=name,
        state=DestinationState.OPEN,
        reason="",
        since=None,
        waiting=0,
        oldest=None,
        accepted=0,
        refused=0,
        is_tried=False,
    )


def tally_of(day: DayStrips, schemes: Mapping[str, NumberScheme], answers: Sequence[GapAnswer] = ()) -> DayTally:
    """Add up a day; ``schemes`` is keyed by analyzer, ``answers`` are what people said of missing numbers."""
    return tally(_tallied_strips(day), _tallied_deliveries(day), schemes=schemes, runs=day.runs, answers=answers)


def _tallied_strips(day: DayStrips) -> Iterator[TalliedStrip]:
    for group in day.groups:
        fate = fate_of(group.outcome, rules=group.rules, purpose=group.purpose)
        for strip_id, number in group.strips:
            yield TalliedStrip(
                strip_id=strip_id,
                analyzer=group.analyzer,
                mode=group.mode,
                series=group.series,
                number=int(number) if number.isascii() and number.isdecimal() else None,
                fate=fate,
            )


def _tallied_deliveries(day: DayStrips) -> Iterator[TalliedDelivery]:
    """Tie each result's newest delivery at each destination to its strip."""
    for sent in day.sent:
        standing = standing_of(sent.state)
        for strip_id in sent.strips:
            yield TalliedDelivery(strip_id=strip_id, destination=sent.destination, standing=standing)


# --- the tally in lines that a page can show -----------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Term:
    """One term of a sum: its words, its count, and the strips it counts."""

    words: str
    count: int
    strips: tuple[int, ...]


FATE_TERMS: tuple[tuple[Fate, str], ...] = (
    (Fate.SENT_ON, later("sent on")),
    (Fate.WAITING, later("waiting")),
    (Fate.HELD, later("waiting for your decision")),
    (Fate.REJECTED, later("cannot be sent")),
    (Fate.NO_READING, later("no reading")),
    (Fate.DISCARDED, later("discarded")),
    (Fate.SUPERSEDED, later("replaced")),
    (Fate.CONTROL, later("controls")),
    (Fate.OTHER_NON_PATIENT, later("other than patients")),
)
EXTRA_TERMS: tuple[tuple[Fate, str], ...] = ((Fate.COPY, later("copies")), (Fate.CONFLICT, later("same number, other content")))
ONE = {"controls": later("control"), "copies": later("copy")}
STANDING_TERMS: tuple[tuple[Standing, str], ...] = (
    (Standing.ACKNOWLEDGED, later("received")),
    (Standing.QUEUED, later("waiting")),
    (Standing.REFUSED, later("turned away or given up")),
    (Standing.SUPERSEDED, later("replaced")),
    (Standing.GIVEN_UP, later("discarded")),
)


def fate_terms(strips: Mapping[Fate, tuple[int, ...]], terms: tuple[tuple[Fate, str], ...] = FATE_TERMS) -> tuple[Term, ...]:
    """Give the terms of first readings (or of ``EXTRA_TERMS``) that are not empty."""
    return tuple(
        Term(words=_(ONE.get(words, words) if len(found) == 1 else words), count=len(found), strips=found)
        for fate, words in terms
        if (found := strips.get(fate))
    )


def standing_terms(strips: Mapping[Standing, tuple[int, ...]]) -> tuple[Term, ...]:
    """Give the terms of one receiver's sum that are not empty."""
    return tuple(
        Term(words=_(words), count=len(strips.get(standing, ())), strips=strips.get(standing, ()))
        for standing, words in STANDING_TERMS
        if strips.get(standing)
    )
