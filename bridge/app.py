"""The composition root: settings in, a running service out. The only place that constructs stores and clients."""

from __future__ import annotations

import asyncio
import os
import random
import secrets
import socket
from collections.abc import Awaitable, Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from itertools import chain
from typing import Any, Protocol, cast

import structlog
from fastapi import FastAPI

from bridge import clock, settings, ways_out_shown
from bridge.additions_watch import AdditionsWatch
from bridge.audit_watch import AuditWatch
from bridge.check.understanding import processing_taken
from bridge.credentials.tls import listening_context
from bridge.deliver.folder import FolderClient
from bridge.deliver.late import AnswerListener, LateAnswers
from bridge.deliver.mllp import MllpClient
from bridge.deliver.pool import Pool
from bridge.desk.actions import Desk
from bridge.desk.additions import AdditionDesk
from bridge.desk.corrections import CorrectionDesk, CorrectionTerms
from bridge.desk.entries import EntryDesk, EntryPlace
from bridge.desk.gates import GateDesk
from bridge.errors import SettingsError
from bridge.facts.gates import free_waiting
from bridge.history_watch import HistoryWatch
from bridge.judging import Ids, Judging
from bridge.letting_in import door_of
from bridge.lifecycle.sharing import EVERY_ROLE, Role
from bridge.model import LIVE, Acknowledgement, CodedResult, Message, ReadBy
from bridge.own_signals import OwnSignals
from bridge.pages.app import Doors, make_pages
from bridge.pages.door import Door
from bridge.pages.language import SHIPPED, language
from bridge.pages.server import PagesServer
from bridge.pages.site import Bench, Desks, PagesSite, WayIn
from bridge.pages.words import reason
from bridge.pause_watch import PauseWatch
from bridge.plan_book import PlanBook, check_plans
from bridge.purge import PurgeWatch
from bridge.queue.lanes import DestinationQueue
from bridge.queue.leases import FREE, Alone, Leases, Process
from bridge.queue.tries import Pace
from bridge.receive import http_post
from bridge.receive.fit import key_faults, source_faults
from bridge.receive.folder import FolderReceiver
from bridge.receive.mllp_listener import MllpReceiver, Office
from bridge.receive.serial_line import SerialReceiver
from bridge.receive.tcp import TcpReceiver
from bridge.room import Room
from bridge.service import Runs, Service
from bridge.shift_digest import ShiftDigest
from bridge.shift_digest import Terms as DigestTerms
from bridge.sign_off_watch import SignOffWatch
from bridge.signal_watch import Machine, SignalWatch, audience_of, rule_of, shown_ways, way_notes
from bridge.signal_ways import Says, Way, WayTester
from bridge.site import answer_faults, example_terms, expected_of, grade_faults, live_ones, tables_for, terms_of
from bridge.store.api import Store
from bridge.store.apply_today import NEWS as PAUSES
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import Command, KeepTables, NoteRefusedFile
from bridge.store.looking import looked_at
from bridge.store.rows import CaptureState
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import (
    Tables,
)
from bridge.telling_watch import TellingWatch
from bridge.ways_in_watch import CertificateWatch
from bridge.ways_out_watch import CapabilityWatch, SetupWatch
from bridge.what_if import WhatIf

log = structlog.get_logger()

PAUSED = "A person paused it."  # all that is told where no page is asked for; Today has who and why
SIGNALS = "signals:store"  # the lease of who looks for signals
BEGUN = 32  # ours: tries begun at once at a destination; as many share the commits of their beginnings and ends, and a crash asks after as many
AHEAD = 64  # ours: messages begun with their making and not sent yet; one group's while the group before it is sent


class _Waking:
    """The store as the desk sees it: what a person does wakes the loops once it is committed."""

    def __init__(self, store: Store, wake: Callable[[], None]) -> None:
        self._store = store
        self._wake = wake

    def submit(self, command: Command) -> Future[Any]:
        future = self._store.submit(command)
        future.add_done_callback(lambda _: self._wake())
        return future

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


@dataclass(kw_only=True)
class Padpost:
    """A bridge that is put together: run ``service`` and serve ``pages``, then ``close``."""

    config: settings.Settings
    tables: Tables
    store: Store
    service: Service
    pages: FastAPI
    sources: Mapping[str, Runs]
    clients: Sequence[Any]
    audit: AuditWatch
    door: Door | None = None
    roles: frozenset[Role] = EVERY_ROLE

    async def close(self) -> None:
        """Close every client, then the store."""
        for client in self.clients:
            await client.close()
        self.audit.end()
        await asyncio.to_thread(self.store.close)


# --- putting it together


async def assemble(config: settings.Settings, roles: frozenset[Role] = EVERY_ROLE) -> Padpost:
    """Put a bridge together for ``config``, which does what ``roles`` says.

    Raises SettingsError or TableError for what must be mended in a file, StoreError for the store.
    """
    _require_shared(config, roles)
    tables = tables_for(config)
    _require_sound(config, tables)
    terms = [terms_of(config, destination) for destination in config.destinations]
    book = PlanBook(terms, [source.profile for source in config.sources], tables)
    store = await asyncio.to_thread(open_store, config)
    await done(store, KeepTables(digest=tables.digest, content=tables.canonical, at=clock.now()))
    process = _process(roles)
    leases = Leases(store, process, now=clock.now, elapsed=clock.elapsed)
    out = _ways_out(config, book, store, leases, roles)
    watches = await _watches(config, book, store, out, tables=tables, leases=leases)
    running = {**watches.running(leases), **(out.listening() if Role.DELIVERY in roles else {})}
    sources: dict[str, Runs] = {}
    profiles = {source.name: source.profile for source in config.sources}
    outlets = out.queues if Role.DELIVERY in roles else {}
    service = Service(
        store=store,
        judging=Judging(store, tables, book, out.ids, clock.now, profiles=profiles, outlets=outlets),
        sources=sources,
        queues=out.queues,
        leases=leases,
        leased_sources=frozenset(source.name for source in config.sources if _is_leased(source)),
        once=[
            partial(check_plans, book, store, out.queues),
            store.look_through,
            *([partial(free_waiting, store, tables)] if Role.INTAKE in roles else ()),
        ],
        watches=running,
        require_room=watches.room.require,
        hears={PAUSES: watches.pauses.wake},
    )
    watches.additions.on_end(service.wake)
    own = _own_signals(config, store, out, service, process)
    running["own signals"] = own
    counters = _counters(config, service, tables)
    receive = partial(_receiver, service=service, store=store, tables=tables, ids=out.ids, room=watches.room)
    sources |= {source.name: receive(source) for source in config.sources if _is_here(source)}
    bench = Bench(tables=tables, terms=terms or example_terms(), expects=expected_of(config))
    ways_in = partial(_ways_in, {**sources, **{each.source.name: each for each in counters}}, watches.certificates)
    site = _with_signals(_pages_site(config, bench, service, out, watches, ways_in), config, store, out, own)
    site = replace(site, foresees=WhatIf(store, tables, book, clock.now, profiles=profiles), door=door_of(config, store))
    corrected = _Corrected(terms=_correction_terms(config.corrections), says=book.try_out)
    asked = _Asked(corrected=corrected, sources=config.sources, require_room=watches.room.require)
    return Padpost(
        config=config,
        tables=tables,
        store=store,
        service=service,
        pages=_pages(site, service, store, asked, _doors(counters, store)),
        sources=sources,
        clients=[*out.clients.values(), *(way.client for way in out.signals)],
        audit=watches.audit,
        door=site.door,
        roles=roles,
    )


def _require_shared(config: settings.Settings, roles: frozenset[Role]) -> None:
    if roles != EVERY_ROLE and config.database is None:
        raise SettingsError(
            "Parts of the work can be left to other processes only where they share a database; a store in a folder has one process.",
            remedy="Leave out --only, or name a database.",
            path=("database",),
        )


def _require_sound(config: settings.Settings, tables: Tables) -> None:
    """Raise the first thing of the site's file that cannot stand beside its tables: SettingsError or TableError."""
    for error in chain(
        source_faults(config.sources, tables.profiles, live=live_ones(config)),
        key_faults(config.sources),
        grade_faults(config, tables),
        answer_faults(config),
    ):
        raise error


def _process(roles: frozenset[Role]) -> Process:
    """Give this process a name that no other one has, also on the same host after a restart."""
    host, pid = socket.gethostname(), os.getpid()
    return Process(owner=f"{host}-{pid}-{secrets.token_hex(4)}", host=host, pid=pid, roles=roles)


def _own_signals(config: settings.Settings, store: Store, out: _WaysOut, service: Service, process: Process) -> OwnSignals:
    return OwnSignals(
        store,
        out.signals,
        rule_of(config.signals),
        loops=lambda: service.loops,
        zone=config.site.zone,
        process=process.owner,
        host=process.host,
        now=clock.now,
    )


def _digest(config: settings.Settings, store: Store, out: _WaysOut, tables: Tables) -> ShiftDigest:
    """Make what says the digest of a shift; it holds nothing between two times."""
    terms = DigestTerms(
        schemes={source.analyzer: tables.profiles[source.profile].numbers for source in config.sources},
        controls=tables.controls.policy,
        telling=tables.policy.telling,
    )
    return ShiftDigest(store, config.signals.digest, out.signals, terms, zone=config.site.zone, now=clock.now)


def _with_signals(site: PagesSite, config: settings.Settings, store: Store, out: _WaysOut, own: OwnSignals) -> PagesSite:
    """Let the pages show the ways of signals, try them, and tell what this process tells of itself."""
    digest = _digest(config, store, out, site.bench.tables)
    return replace(
        site,
        ways=shown_ways(config.signals),
        way_notes=lambda: way_notes(config.signals.ways, now=clock.now()),
        test_ways=WayTester(store, out.signals, name=partial(secrets.token_hex, 8), now=clock.now).test,
        own_signals=lambda: own.standing,
        digest=digest.on_page(partial(secrets.token_hex, 8)) if config.signals.digest else None,
        receiver_kinds=ways_out_shown.kinds(config.destinations),
        certificates=partial(ways_out_shown.certificates, config.destinations),
        test_receiver=ways_out_shown.tries(config.destinations),
    )


@dataclass(frozen=True, kw_only=True)
class _WaysOut:
    """What is sent by: a client and a queue for each destination, who hears answers that come on a connection of their own, and the ways of signals."""

    ids: Ids
    clients: Mapping[str, Sends]
    queues: Mapping[str, DestinationQueue]
    listeners: Mapping[str, AnswerListener]
    signals: tuple[Way, ...]

    def listening(self) -> dict[str, Runs]:
        """Give the listeners by the names that the log has."""
        return {f"answers of {name}": listener for name, listener in self.listeners.items()}

    def notes(self, name: str) -> tuple[str, ...]:
        """Say of a destination who was turned away where its receiver's answers come in."""
        return tuple(f"answers_on: {note}" for note in self.listeners[name].peers.notes()) if name in self.listeners else ()


def _ways_out(config: settings.Settings, book: PlanBook, store: Store, leases: Leases, roles: frozenset[Role]) -> _WaysOut:
    """Make the queues; each is shut until its messages' plan is shown to be right."""
    ids = Ids(store)
    clients = {destination.name: _client(destination) for destination in config.destinations}
    queues = {
        destination.name: DestinationQueue(
            store,
            destination.name,
            clients[destination.name],
            _pace(destination),
            bear=partial(_bear, book, ids, destination.name),
            now=clock.now,
            jitter=random.random,
            grip=leases.grip(f"destination:{destination.name}") if Role.DELIVERY in roles else FREE,
        )
        for destination in config.destinations
    }
    for queue in queues.values():
        queue.shut("Its messages are being checked.")
    listeners = _answer_listeners(config, clients, queues, ids)
    return _WaysOut(ids=ids, clients=clients, queues=queues, listeners=listeners, signals=signal_ways(config))


@dataclass(frozen=True, kw_only=True)
class _Watches:
    """What is looked at again and again: files of the site, receivers' promises, the disk, and what has been kept long enough."""

    signatures: SignOffWatch
    setup: SetupWatch
    capabilities: CapabilityWatch
    certificates: CertificateWatch
    purge: PurgeWatch
    telling: TellingWatch
    room: Room
    signals: SignalWatch
    audit: AuditWatch
    pauses: PauseWatch
    history: HistoryWatch
    additions: AdditionsWatch

    def running(self, leases: Leases) -> dict[str, Runs]:
        """Give them by the names that the log has; one process alone purges, walks along the history, tells of signals, passes on what nobody was told of, and ends waits for additions."""
        return {
            "signatures": self.signatures,
            "ways out": self.setup,
            "capabilities": self.capabilities,
            "ways in": self.certificates,
            "purge": Alone(leases.grip("purge:store"), self.purge.run),
            "telling": Alone(leases.grip("telling:store"), self.telling.run),
            "room": self.room,
            "signals": Alone(leases.grip(SIGNALS), self.signals.run),
            "audit": self.audit,
            "pauses": self.pauses,
            "additions": Alone(leases.grip("additions:store"), self.additions.run),
            "history": Alone(leases.grip("history:store"), self.history.run),
        }

    @property
    def notice(self) -> str:
        """Say what of the store a person should know."""
        return self.room.notice or self.purge.notice


async def _watches(
    config: settings.Settings, book: PlanBook, store: Store, out: _WaysOut, *, tables: Tables, leases: Leases
) -> _Watches:
    """Make the watches; three have looked before the first strip is judged."""
    pauses = PauseWatch(store, out.queues)
    await pauses.look()  # nothing may leave for a receiver that was paused before the restart
    live = {name: out.queues[name] for name in live_ones(config)}
    signatures = SignOffWatch(config.signed_off, tables.digest, book, store, live)
    await signatures.look()  # nothing may be written for a live destination that is not signed for
    setup = SetupWatch(config.destinations, book, out.queues, now=clock.now)
    await setup.look()  # a secret that is missing is told at once, not when the first result wants to go
    certificates = CertificateWatch(config.sources, now=clock.now)
    room = Room(config.site.data if config.database is None else None, config.room)
    machine = Machine(
        is_room_low=lambda: bool(room.refusing or room.notice),
        certificates=lambda: tuple(
            name
            for notes in (setup.notes, certificates.notes, way_notes(config.signals.ways, now=clock.now()))
            for name, found in notes.items()
            if found
        ),
    )
    return _Watches(
        signatures=signatures,
        setup=setup,
        capabilities=CapabilityWatch(_askers(config), now=clock.now),
        certificates=certificates,
        purge=PurgeWatch(store, config.keep, clock.now),
        telling=TellingWatch(store, tables.policy.telling, clock.now),
        room=room,
        signals=SignalWatch(
            store,
            config.signals,
            zone=config.site.zone,
            destinations=tuple(destination.name for destination in config.destinations),
            machine=machine,
            grip=leases.grip(SIGNALS),
            now=clock.now,
            telling=tables.policy.telling,
            ways=out.signals,
            digest=_digest(config, store, out, tables).keep,
        ),
        audit=AuditWatch(store, clock.now),
        pauses=pauses,
        additions=AdditionsWatch(store, clock.now),
        history=HistoryWatch(store, partial(looked_at, config), zone=config.site.zone, now=clock.now),
    )


@dataclass(frozen=True, kw_only=True)
class _Corrected:
    """On which terms results that were sent are corrected, and what tries whether every destination can be told."""

    terms: CorrectionTerms
    says: Callable[[CodedResult], None]


def _correction_terms(corrections: settings.Corrections) -> CorrectionTerms:
    return CorrectionTerms(
        needs_second=corrections.second_person, acknowledged_within=timedelta(minutes=corrections.acknowledged_minutes)
    )


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What the desks ask besides the store and the tables: the terms of corrections, the sources, and whether there is room for a strip."""

    corrected: _Corrected
    sources: Sequence[settings.SourceShape]
    require_room: Callable[[], None]


def _pages(site: PagesSite, service: Service, store: Store, asked: _Asked, doors: Doors | None) -> FastAPI:
    """Make the pages over a store that wakes the loops at what a person does."""
    waking, tables = cast("Store", _Waking(store, service.wake)), site.bench.tables
    desk = Desk(waking, tables.policy, clock.now, zone=site.zone, holds=tables.holds)
    gates = GateDesk(waking, tables, clock.now)
    corrections = CorrectionDesk(
        waking, tables, clock.now, zone=site.zone, terms=asked.corrected.terms, says=asked.corrected.says
    )
    entries = EntryDesk(
        waking,
        tables,
        eyes=[_place(source, tables) for source in asked.sources if isinstance(source, settings.ByEyeSource)],
        slips=[_place(source, tables) for source in _printing(asked.sources, tables)],
        now=clock.now,
        require_room=asked.require_room,
    )
    additions = AdditionDesk(waking, tables, clock.now, says=asked.corrected.says)
    desks = Desks(stops=desk, gates=gates, corrections=corrections, entries=entries, additions=additions)
    return make_pages(store, desks, site=site, now=clock.now, doors=doors)


def _printing(sources: Sequence[settings.SourceShape], tables: Tables) -> tuple[settings.SourceShape, ...]:
    """Give one source of each analyzer that reads strips itself: its slips are typed in where the line was down."""
    by_analyzer = {
        source.analyzer: source
        for source in reversed(sources)
        if tables.profiles[source.profile].read_by is ReadBy.ANALYZER and source.processing_id == LIVE
    }
    return tuple(sorted(by_analyzer.values(), key=lambda each: each.analyzer))


def _place(source: settings.SourceShape, tables: Tables) -> EntryPlace:
    return EntryPlace(source=source.name, analyzer=source.analyzer, profile=tables.profiles[source.profile])


def open_store(config: settings.Settings) -> Store:
    """Open the store that ``config`` names: the data folder's file, or a database. Raises SettingsError or StoreError."""
    if config.database is None:
        return SqliteStore(config.site.data, now=clock.now)
    from bridge.store.postgres.opening import open_database  # noqa: PLC0415 - only who has a server loads its driver

    return open_database(config.database)


def _askers(config: settings.Settings) -> dict[str, Callable[[], Awaitable[tuple[str, ...] | None]]]:
    servers = [destination for destination in config.destinations if isinstance(destination, settings.FhirDestination)]
    if not servers:
        return {}
    from bridge.deliver.capability import asked_differences  # noqa: PLC0415 - as the client of these servers

    return {destination.name: partial(asked_differences, destination) for destination in servers}


def _is_leased(source: settings.SourceShape) -> bool:
    """Say whether one process alone may run a source: two would read the same folder, or call the same analyzer."""
    return isinstance(source, settings.FolderSource) or (isinstance(source, settings.TcpSource) and source.role == "call")


def _is_here(source: settings.SourceShape) -> bool:
    """Say whether a loop of this process serves the source: the pages' port has the posts and the forms, another machine its own wires."""
    if isinstance(source, settings.HttpSource | settings.ByEyeSource):
        return False
    return not isinstance(source, settings.SerialSource) or source.on_host in ("", socket.gethostname())


class Sends(Protocol):
    """A client of one destination."""

    async def send(self, message: Message) -> Acknowledgement:
        """Try once; give what came of it."""

    async def close(self) -> None:
        """Close every connection."""


def _client(destination: settings.DestinationShape) -> Sends:
    match destination:
        case settings.MllpDestination():
            return Pool([MllpClient(destination) for _ in range(destination.connections)])
        case settings.FhirDestination():
            from bridge.deliver.fhir import FhirClient  # noqa: PLC0415 - an HTTP client that only who sends by HTTP loads

            return FhirClient(destination, now=clock.now)
        case settings.FolderDestination():
            return FolderClient(destination)
        case settings.HookDestination():
            from bridge.deliver.hook import HookClient  # noqa: PLC0415 - 11 MB of libraries that only signing needs

            return HookClient(destination, now=clock.now)
    raise TypeError(f"no client sends to a {type(destination).__name__}")


def signal_ways(config: settings.Settings) -> tuple[Way, ...]:
    """Give the ways by which signals are told."""
    return tuple(Way(audience=audience_of(way), client=signal_client(way, site=config.site.name)) for way in config.signals.ways)


def signal_client(way: settings.MailWay | settings.NoticeWay, *, site: str) -> Says:
    """Give what says signals by a way; ``site`` is the laboratory's name."""
    if isinstance(way, settings.MailWay):
        from bridge.deliver.mail import MailClient  # noqa: PLC0415 - what writes and sends mail, which only who wants mail loads

        return MailClient(way, site=site)
    from bridge.deliver.notice import NoticeClient  # noqa: PLC0415 - 11 MB of libraries that only signing needs

    return NoticeClient(way, site=site, now=clock.now)


def _answer_listeners(
    config: settings.Settings, clients: Mapping[str, Any], queues: Mapping[str, DestinationQueue], ids: Ids
) -> dict[str, AnswerListener]:
    """Give each receiver's late answers to its queue; give the listeners for those that it sends on a connection of its own."""
    listeners: dict[str, AnswerListener] = {}
    for destination in config.destinations:
        if not isinstance(destination, settings.MllpDestination) or destination.acknowledgement == "original":
            continue
        late = LateAnswers(destination, settle=queues[destination.name].settle, control=ids.control, now=clock.now)
        clients[destination.name].hear(late)
        if destination.answers_on:
            listeners[destination.name] = AnswerListener(destination.name, destination.answers_on, late, now=clock.now)
    return listeners


def _pace(destination: settings.DestinationShape) -> Pace:
    retry = destination.retry
    pace = Pace(
        first=timedelta(seconds=retry.first_s),
        longest=timedelta(seconds=retry.longest_s),
        give_up=timedelta(hours=retry.give_up_h),
        lanes=max(BEGUN, 2 * _in_flight(destination)),
        in_flight=_in_flight(destination),
        ahead=max(AHEAD, 2 * _in_flight(destination)),
    )
    if isinstance(destination, settings.MllpDestination) and destination.acknowledgement == "enhanced":
        wait = timedelta(seconds=destination.application_s)
        return replace(pace, application=wait, silence_is_yes=destination.application_answer == "ER")
    return pace


def _in_flight(destination: settings.DestinationShape) -> int:
    """Give how many messages may be with the receiver at once."""
    match destination:
        case settings.MllpDestination():
            return destination.connections
        case settings.HttpDestination():
            return destination.in_flight
    return 4  # ours: of a folder; each waits for the disk


async def _bear(book: PlanBook, ids: Ids, destination: str, result: CodedResult) -> Message | None:
    if not book.takes(destination, result):
        return None
    return book.write(destination, result, control_id=await ids.control(), made_at=clock.now())


def _receiver(source: settings.SourceShape, *, service: Service, store: Store, tables: Tables, ids: Ids, room: Room) -> Runs:
    keep = partial(service.keep, analyzer=source.analyzer, profile=source.profile)

    async def note_refused(refused: NoteRefusedFile) -> int:
        room.require()
        stop_id: int = await done(store, refused)
        return stop_id

    async def look(capture_id: int) -> CaptureState | None:
        return await ask(store, store.capture_state, capture_id)

    match source:
        case settings.FolderSource():
            return FolderReceiver(source, keep=keep, note_refused=note_refused, now=clock.now)
        case settings.SerialSource():
            return SerialReceiver(source, keep=keep, now=clock.now)
        case settings.TcpSource():
            return TcpReceiver(source, keep=keep, now=clock.now)
        case settings.MllpSource():
            layout = tables.profiles[source.profile].hl7
            assert layout is not None  # source_faults refused it
            office = Office(
                keep=keep,
                note_refused=note_refused,
                look=look,
                control_id=ids.control,
                words=reason,
                now=clock.now,
                takes=processing_taken(source.analyzer, tables.policy),
            )
            return MllpReceiver(source, layout, office, context=listening_context(source.tls) if source.tls else None)
    raise TypeError(f"nothing receives from a {type(source).__name__}")


def _counters(config: settings.Settings, service: Service, tables: Tables) -> list[http_post.Counter]:
    """Give where the posts of each source of the kind http are taken."""
    return [
        http_post.Counter(
            source,
            tables.profiles[source.profile],
            partial(service.keep, analyzer=source.analyzer, profile=source.profile),
            clock=clock.monotonic,
            now=clock.now,
        )
        for source in config.sources
        if isinstance(source, settings.HttpSource)
    ]


def _doors(counters: Sequence[http_post.Counter], store: Store) -> Doors | None:
    """Give the routes of the sources that are posted to; None where there is none."""
    if not counters:
        return None
    asked = http_post.Desk(look=store.capture_state, deliveries=store.deliveries, words=reason, now=clock.now)
    return Doors(routes=http_post.router(counters, asked), fault=http_post.Refused, answer=http_post.refused)


def _ways_in(ways: Mapping[str, Any], certificates: CertificateWatch) -> tuple[WayIn, ...]:
    """Say of each way in that others come to who is there and what to look at; a folder or a serial line has no peers."""
    return tuple(
        WayIn(
            source=name,
            here=None if isinstance(way, http_post.Counter) else peers.here(),
            notes=(*peers.notes(), *certificates.notes.get(name, ())),
        )
        for name, way in ways.items()
        if (peers := getattr(way, "peers", None)) is not None
    )


def _pages_site(
    config: settings.Settings,
    bench: Bench,
    service: Service,
    out: _WaysOut,
    watches: _Watches,
    ways_in: Callable[[], tuple[WayIn, ...]],
) -> PagesSite:
    return PagesSite(
        name=config.site.name,
        zone=config.site.zone,
        port=config.pages.port,
        languages=tuple(map(language, SHIPPED)),
        language=config.pages.language,
        secret=secrets.token_bytes(32),
        bench=bench,
        host_names=config.pages.host_names,
        doors=http_post.PATHS if any(isinstance(source, settings.HttpSource) for source in config.sources) else frozenset(),
        destinations=tuple(destination.name for destination in config.destinations),
        not_ready=lambda: (service.fault,) if service.fault else (),
        wake=service.wake,
        next_tries=lambda: {name: at for name, queue in out.queues.items() if (at := queue.next_try)},
        refusing=lambda: watches.room.refusing,
        shut=lambda: {
            name: why for name, queue in out.queues.items() if (why := queue.shut_because or (queue.is_paused and PAUSED))
        },
        notes=lambda: {
            name: (*watches.setup.notes.get(name, ()), *watches.capabilities.notes.get(name, ()), *out.notes(name))
            for name in out.queues
        },
        ways_in=ways_in,
        notice=lambda: watches.notice,
        send_again={
            source.analyzer: bench.tables.profiles[source.profile].send_again
            for source in config.sources
            if not isinstance(source, settings.ByEyeSource)  # there is no memory to send from
        },
        schemes={source.analyzer: bench.tables.profiles[source.profile].numbers for source in config.sources},
    )


# --- running it


def _pages_socket(pages: settings.Pages) -> socket.socket:
    """Open the pages' port ourselves: uvicorn would end the whole process where it is taken."""
    try:
        return socket.create_server((pages.host, pages.port), family=socket.AF_INET6 if ":" in pages.host else socket.AF_INET)
    except OSError as error:
        raise SettingsError(
            f"The pages cannot listen on {pages.host}, port {pages.port}: {os.strerror(error.errno or 0)}.",
            remedy="Stop what listens there, perhaps another Padpost, or choose another host or port.",
            path=("pages", "port"),
        ) from error


async def run_until(bridge: Padpost, stop: asyncio.Event) -> None:
    """Run the service, and its pages where that is among its roles, until ``stop`` is set.

    Raises SettingsError, with nothing begun, if the pages cannot listen.
    """
    if Role.WEB not in bridge.roles:
        await _run_without_pages(bridge, stop)
        return
    pages = bridge.config.pages
    listening = _pages_socket(pages)
    server = PagesServer(bridge.pages, ending=bridge.pages.state.newsroom.close)
    running = asyncio.create_task(bridge.service.run())
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    stopping = asyncio.create_task(stop.wait())
    log.info("service.started", pages=f"http://{pages.host}:{pages.port}")
    await asyncio.wait({running, serving, stopping}, return_when=asyncio.FIRST_COMPLETED)
    server.should_exit = True
    running.cancel()
    stopping.cancel()
    for task in (running, stopping, serving):
        with suppress(asyncio.CancelledError):
            await task
    log.info("service.stopped")


async def _run_without_pages(bridge: Padpost, stop: asyncio.Event) -> None:
    running = asyncio.create_task(bridge.service.run())
    stopping = asyncio.create_task(stop.wait())
    log.info("service.started", roles=sorted(bridge.roles))
    await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
    for task in (running, stopping):
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
    log.info("service.stopped")
