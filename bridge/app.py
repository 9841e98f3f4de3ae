"""The composition root: settings in, a running service out. The only place that constructs stores and clients."""

from __future__ import annotations

import asyncio
import os
import random
import secrets
import socket
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, Protocol, TypeVar, cast
from zoneinfo import ZoneInfo

import structlog
import uvicorn
from fastapi import FastAPI

from bridge import clock, settings
from bridge.credentials.tls import listening_context
from bridge.deliver.capability import asked_differences
from bridge.deliver.fhir import FhirClient
from bridge.deliver.folder import FolderClient
from bridge.deliver.late import AnswerListener, LateAnswers
from bridge.deliver.mllp import MllpClient
from bridge.deliver.pool import Pool
from bridge.desk.actions import Desk
from bridge.errors import SettingsError, SetupError, Spot, TableError
from bridge.lifecycle.answers import site_faults
from bridge.lifecycle.sharing import EVERY_ROLE, Role
from bridge.model import Acknowledgement, Code, CodedResult, Format, Message, UnitSystem
from bridge.pages.app import Doors, make_pages
from bridge.pages.site import Bench, PagesSite
from bridge.pages.words import reason
from bridge.plan_book import PlanBook, check_plans
from bridge.purge import PurgeWatch
from bridge.queue.lanes import DestinationQueue, Pace
from bridge.queue.leases import FREE, Leases, Process
from bridge.receive import http_post
from bridge.receive.fit import key_faults, source_faults
from bridge.receive.folder import FolderReceiver
from bridge.receive.mllp_listener import MllpReceiver, Office
from bridge.receive.serial_line import SerialReceiver
from bridge.receive.tcp import TcpReceiver
from bridge.room import Room
from bridge.service import Ids, Judging, Runs, Service
from bridge.settings import Document
from bridge.sign_off_watch import SignOffWatch
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import Command, KeepTables, NoteRefusedFile
from bridge.store.rows import CaptureState
from bridge.store.sqlite import SqliteStore
from bridge.tables.care import CATALOGUE_FILE
from bridge.tables.compiled import compile_tables
from bridge.tables.documents import CatalogueDocument, FlagsDocument, ProfileDocument, Shape, StripTypeDocument
from bridge.tables.flags import FLAGS_FILE
from bridge.tables.types import (
    DestinationTerms,
    GradeTable,
    Laboratory,
    Orders,
    PatientIdPolicy,
    Pointing,
    Policy,
    Provider,
    Tables,
)
from bridge.ways_out_watch import CapabilityWatch, SetupWatch

log = structlog.get_logger()

BEGUN = 32  # ours: tries begun at once at a destination; as many share the commits of their beginnings and ends, and a crash asks after as many


S = TypeVar("S", bound=Shape)


def load_tables(shipped: Path, own: Path | None, policy: Policy, *, zone: ZoneInfo) -> Tables:
    """Read and compile the mapping files. A file of ``own`` replaces the shipped one of the same name.

    ``zone`` is the site's, for profiles that say ``zone: site``. Raises TableError naming file, line and key.
    """
    documents: dict[str, Document] = {}
    try:
        catalogue = _shaped(_files(shipped, own, CATALOGUE_FILE), CatalogueDocument, documents)
        strip_types = _shaped(_files(shipped, own, "strip_types/*.yaml"), StripTypeDocument, documents)
        profiles = _shaped(_files(shipped, own, "profiles/*.yaml"), ProfileDocument, documents)
        flags = _shaped(_files(shipped, own, FLAGS_FILE), FlagsDocument, documents)
        for name, found, loss in (
            (CATALOGUE_FILE, catalogue, "has a code"),
            (FLAGS_FILE, flags, "says which critical rules are on"),
        ):
            if Path(name).stem not in found:
                raise TableError(
                    f"There is no {name}.",
                    remedy=f"Restore it: without it nothing {loss}.",
                    spot=Spot(file=str(shipped), line=1, key=""),
                )
        tables = compile_tables(
            catalogue[Path(CATALOGUE_FILE).stem],
            strip_types,
            profiles,
            policy,
            zone=zone,
            flags=flags[Path(FLAGS_FILE).stem],
        )
        return replace(tables, doubts=tuple(replace(d, spot=_spot(d.path, documents)) for d in tables.doubts))
    except SetupError as error:
        raise _placed(error, documents) from error


def _files(shipped: Path, own: Path | None, pattern: str) -> dict[str, Path]:
    """Give the files of one kind by their name under mappings, the site's own before the shipped."""
    files: dict[str, Path] = {}
    for root in (shipped, own):
        if root is not None:
            files |= {path.relative_to(root).as_posix(): path for path in sorted(root.glob(pattern))}
    return files


def _shaped(files: dict[str, Path], shape: type[S], documents: dict[str, Document]) -> dict[str, S]:
    shaped: dict[str, S] = {}
    for name, path in files.items():
        documents[name] = Document(path, name)
        shaped[path.stem] = documents[name].shaped(shape)
    return shaped


def _placed(error: SetupError, documents: dict[str, Document]) -> TableError:
    """Give the error as a mapping file's, with file and line."""
    spot = error.spot or _spot(error.path, documents)
    return TableError(error.sentence, remedy=error.remedy, path=error.path, spot=spot)


def _spot(path: settings.KeyPath, documents: dict[str, Document]) -> Spot | None:
    return documents[str(path[0])].spot(path[1:]) if path and str(path[0]) in documents else None


def tables_for(config: settings.Settings | None) -> Tables:
    """Load the tables of a site, or the shipped ones as they are. Raises TableError."""
    if config is None:
        return load_tables(settings.shipped_mappings(), None, default_policy(), zone=ZoneInfo("UTC"))
    return load_tables(settings.shipped_mappings(), config.mappings, policy_of(config), zone=config.site.zone)


def policy_of(config: settings.Settings) -> Policy:
    """Give the site's check policy as plain facts."""
    ids = config.patient_ids
    return Policy(
        patient_id=PatientIdPolicy(
            pattern=ids.pattern, check_digit=ids.check_digit, denied=frozenset(ids.denied), denied_patterns=ids.denied_patterns
        ),
        rerun_window_minutes=config.checks.rerun_window_minutes,
        future_tolerance_minutes=config.checks.future_tolerance_minutes,
        oldest_days=config.checks.oldest_days,
    )


def terms_of(config: settings.Settings, destination: settings.DestinationShape) -> DestinationTerms:
    """Give what a renderer must know of ``destination``."""
    ids = config.patient_ids
    pointers: settings.Pointers = getattr(destination, "pointers", settings.Pointers())
    return DestinationTerms(
        name=destination.name,
        format=Format(destination.format),
        value_forms=tuple(UnitSystem(form) for form in destination.values),
        sending_application=destination.sending_application,
        sending_facility=destination.sending_facility,
        receiving_application=destination.receiving_application,
        receiving_facility=destination.receiving_facility,
        processing_id=destination.processing_id,
        charset=destination.charset,
        zone=destination.zone or config.site.zone,
        patient_authority=ids.authority,
        patient_type=ids.type,
        patient_system=ids.system,
        result_system=getattr(destination, "result_system", ""),
        observed_at=destination.observed_at,
        local_codes=destination.local_codes,
        grades=destination.grades,
        grade_table=_grade_table(destination.grade_table),
        equipment=destination.equipment,
        operator=destination.operator,
        unit_texts=dict(sorted(destination.units.items())),
        orders=Orders(destination.orders),
        patient_pointing=Pointing(pointers.patient),
        order_pointing=Pointing(pointers.order),
        order_system=pointers.order_system,
        order_authority=destination.order_authority,
        message_profile=destination.message_profile,
        laboratory=Laboratory(**destination.laboratory.model_dump()) if destination.laboratory else None,
        provider=Provider(**destination.provider.model_dump()) if destination.provider else None,
        non_patient=getattr(destination, "controls", False),
        asks_commit=getattr(destination, "acknowledgement", "original") == "enhanced",
        asks_application=getattr(destination, "application_answer", "AL"),
    )


def _grade_table(table: settings.GradeTable | None) -> GradeTable | None:
    if table is None:
        return None
    codes = {grade: Code(code=row.code, text=row.text, system=table.system) for grade, row in sorted(table.codes.items())}
    return GradeTable(uri=table.uri, codes=codes)


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
    roles: frozenset[Role] = EVERY_ROLE

    async def close(self) -> None:
        """Close every client, then the store."""
        for client in self.clients:
            await client.close()
        await asyncio.to_thread(self.store.close)


def default_policy() -> Policy:
    """Give the policy for looking at mapping files without a site: any ID that looks like one."""
    ids = PatientIdPolicy(pattern=r"[A-Za-z0-9-]{3,20}", check_digit="", denied=frozenset(), denied_patterns=())
    return Policy(patient_id=ids, rerun_window_minutes=120, future_tolerance_minutes=15, oldest_days=3650)


def example_terms() -> tuple[DestinationTerms, ...]:
    """Give one destination of each format for looking at messages without a site."""
    oru = DestinationTerms(
        name="example-hl7",
        format=Format.ORU_R01,
        value_forms=(UnitSystem.ARBITRARY, UnitSystem.CONVENTIONAL, UnitSystem.SI),
        sending_application="PADPOST",
        sending_facility="BENCH",
        receiving_application="RECORDS",
        receiving_facility="EXAMPLE",
        processing_id="T",
        charset="UNICODE UTF-8",
        zone=ZoneInfo("UTC"),
        patient_authority="EXAMPLE",
        patient_type="MR",
        patient_system="urn:example:patients",
        result_system="urn:example:results",
        observed_at="analysis",
        local_codes=True,
    )
    return oru, replace(oru, name="example-fhir", format=Format.FHIR)


# --- putting it together


async def assemble(config: settings.Settings, roles: frozenset[Role] = EVERY_ROLE) -> Padpost:
    """Put a bridge together for ``config``, which does what ``roles`` says.

    Raises SettingsError or TableError for what must be mended in a file, StoreError for the store.
    """
    if roles != EVERY_ROLE and config.database is None:
        raise SettingsError(
            "Parts of the work can be left to other processes only where they share a database; a store in a folder has one process.",
            remedy="Leave out --only, or name a database.",
            path=("database",),
        )
    tables = tables_for(config)
    for error in chain(
        source_faults(config.sources, tables.profiles),
        key_faults(config.sources),
        grade_faults(config, tables),
        answer_faults(config),
    ):
        raise error
    terms = [terms_of(config, destination) for destination in config.destinations]
    book = PlanBook(terms, [source.profile for source in config.sources], tables)
    store = await asyncio.to_thread(open_store, config)
    ids = Ids(store)
    room = Room(config.site.data if config.database is None else None, config.room)
    owner = f"{socket.gethostname()}-{os.getpid()}-{secrets.token_hex(4)}"
    process = Process(owner=owner, host=socket.gethostname(), pid=os.getpid(), roles=roles)
    leases = Leases(store, process, now=clock.now, elapsed=clock.elapsed)
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
    listeners = _answer_listeners(config, clients, queues, ids)
    for queue in queues.values():
        queue.shut("Its messages are being checked.")
    await done(store, KeepTables(digest=tables.digest, content=tables.canonical, at=clock.now()))
    live = {term.name: queues[term.name] for term in terms if term.is_live}
    watch = SignOffWatch(config.signed_off, tables.digest, book, store, live)
    await watch.look()  # before the first strip is judged: nothing may be written for a live destination that is not signed for
    setup = SetupWatch(config.destinations, book, queues, now=clock.now)
    await setup.look()  # a secret that is missing is told at once, not when the first result wants to go
    capabilities = CapabilityWatch(_askers(config), now=clock.now)
    sources: dict[str, Runs] = {}
    service = Service(
        store=store,
        judging=Judging(store, tables, book, ids, clock.now, profiles={source.name: source.profile for source in config.sources}),
        sources=sources,
        queues=queues,
        leases=leases,
        leased_sources=frozenset(source.name for source in config.sources if _is_leased(source)),
        once=[partial(check_plans, book, store, queues), store.look_through],
        watches={
            "signatures": watch,
            "ways out": setup,
            "capabilities": capabilities,
            "purge": PurgeWatch(store, config.keep, clock.now),
            "room": room,
            **(listeners if Role.DELIVERY in roles else {}),
        },
        require_room=room.require,
    )
    receive = partial(_receiver, service=service, store=store, tables=tables, ids=ids, room=room)
    sources |= {source.name: receive(source) for source in config.sources if _is_here(source)}
    desk = Desk(cast("Store", _Waking(store, service.wake)), tables.policy, clock.now)
    bench = Bench(tables=tables, terms=terms or example_terms())
    site = _pages_site(config, bench, service, queues, (setup, capabilities), room)
    pages = make_pages(store, desk, site=site, now=clock.now, doors=_doors(config, service, store, tables))
    return Padpost(
        config=config,
        tables=tables,
        store=store,
        service=service,
        pages=pages,
        sources=sources,
        clients=list(clients.values()),
        roles=roles,
    )


def open_store(config: settings.Settings) -> Store:
    """Open the store that ``config`` names: the data folder's file, or a database. Raises SettingsError or StoreError."""
    if config.database is None:
        return SqliteStore(config.site.data, now=clock.now)
    from bridge.store.postgres.opening import open_database  # noqa: PLC0415 - only who has a server loads its driver

    return open_database(config.database)


def _askers(config: settings.Settings) -> dict[str, Callable[[], Awaitable[tuple[str, ...] | None]]]:
    return {
        destination.name: partial(asked_differences, destination)
        for destination in config.destinations
        if isinstance(destination, settings.FhirDestination)
    }


def _is_leased(source: settings.SourceShape) -> bool:
    """Say whether one process alone may run a source: two would read the same folder, or call the same analyzer."""
    return isinstance(source, settings.FolderSource) or (isinstance(source, settings.TcpSource) and source.role == "call")


def _is_here(source: settings.SourceShape) -> bool:
    """Say whether a loop of this process serves the source: the pages' port has the posts, another machine its own wires."""
    if isinstance(source, settings.HttpSource):
        return False
    return not isinstance(source, settings.SerialSource) or source.on_host in ("", socket.gethostname())


def grade_faults(config: settings.Settings, tables: Tables) -> Iterator[SettingsError]:
    """Give an error for each destination whose receiver could not be told a grade of a strip type in use."""
    profiles = [source.profile for source in config.sources if source.profile in tables.profiles]
    for number, destination in enumerate(config.destinations):
        try:
            PlanBook([terms_of(config, destination)], profiles, tables)
        except TableError as error:
            if error.path[:1] not in {("grades",), ("grade_table",)}:
                raise
            yield SettingsError(error.sentence, remedy=error.remedy, path=("destinations", number, *error.path))


def answer_faults(config: settings.Settings) -> Iterator[SettingsError]:
    """Give an error for each line of a destination's own answers that cannot stand."""
    for number, destination in enumerate(config.destinations):
        if isinstance(destination, settings.MllpDestination | settings.FhirDestination):
            lines = [(line.when, line.means) for line in destination.answers]
            for line, fault, remedy in site_faults(destination.kind, lines):
                yield SettingsError(fault, remedy=remedy, path=("destinations", number, "answers", line, "when"))


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
            return FhirClient(destination, now=clock.now)
        case settings.FolderDestination():
            return FolderClient(destination)
        case settings.HookDestination():
            from bridge.deliver.hook import HookClient  # noqa: PLC0415 - 11 MB of libraries that only signing needs

            return HookClient(destination, now=clock.now)
    raise TypeError(f"no client sends to a {type(destination).__name__}")


def _answer_listeners(
    config: settings.Settings, clients: Mapping[str, Any], queues: Mapping[str, DestinationQueue], ids: Ids
) -> dict[str, Runs]:
    """Give each receiver's late answers to its queue; give the listeners for those that it sends on a connection of its own."""
    listeners: dict[str, Runs] = {}
    for destination in config.destinations:
        if not isinstance(destination, settings.MllpDestination) or destination.acknowledgement == "original":
            continue
        late = LateAnswers(destination, settle=queues[destination.name].settle, control=ids.control, now=clock.now)
        clients[destination.name].hear(late)
        if destination.answers_on:
            listeners[f"answers of {destination.name}"] = AnswerListener(destination.name, destination.answers_on, late)
    return listeners


def _pace(destination: settings.DestinationShape) -> Pace:
    retry = destination.retry
    pace = Pace(
        first=timedelta(seconds=retry.first_s),
        longest=timedelta(seconds=retry.longest_s),
        give_up=timedelta(hours=retry.give_up_h),
        lanes=max(BEGUN, 2 * _in_flight(destination)),
        in_flight=_in_flight(destination),
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
            )
            return MllpReceiver(source, layout, office, context=listening_context(source.tls) if source.tls else None)
    raise TypeError(f"nothing receives from a {type(source).__name__}")


def _doors(config: settings.Settings, service: Service, store: Store, tables: Tables) -> Doors | None:
    """Give the routes of the sources that are posted to; None where there is none."""
    counters = [
        http_post.Counter(
            source,
            tables.profiles[source.profile],
            partial(service.keep, analyzer=source.analyzer, profile=source.profile),
            clock=clock.monotonic,
        )
        for source in config.sources
        if isinstance(source, settings.HttpSource)
    ]
    if not counters:
        return None
    asked = http_post.Desk(look=store.capture_state, deliveries=store.deliveries, words=reason, now=clock.now)
    return Doors(routes=http_post.router(counters, asked), fault=http_post.Refused, answer=http_post.refused)


def _pages_site(
    config: settings.Settings,
    bench: Bench,
    service: Service,
    queues: Mapping[str, DestinationQueue],
    watches: Sequence[SetupWatch | CapabilityWatch],
    room: Room,
) -> PagesSite:
    return PagesSite(
        name=config.site.name,
        zone=config.site.zone,
        port=config.pages.port,
        secret=secrets.token_bytes(32),
        bench=bench,
        host_names=config.pages.host_names,
        doors=http_post.PATHS if any(isinstance(source, settings.HttpSource) for source in config.sources) else frozenset(),
        destinations=tuple(destination.name for destination in config.destinations),
        not_ready=lambda: (service.fault,) if service.fault else (),
        next_tries=lambda: {name: at for name, queue in queues.items() if (at := queue.next_try)},
        refusing=lambda: room.refusing,
        notice=lambda: room.notice,
        shut=lambda: {name: queue.shut_because for name, queue in queues.items() if queue.shut_because},
        notes=lambda: {name: tuple(chain.from_iterable(watch.notes.get(name, ()) for watch in watches)) for name in queues},
        send_again={source.analyzer: bench.tables.profiles[source.profile].send_again for source in config.sources},
        schemes={source.analyzer: bench.tables.profiles[source.profile].numbers for source in config.sources},
    )


# --- running it


class _PagesServer(uvicorn.Server):
    """uvicorn without its own signal handlers: the command owns the signals."""

    def install_signal_handlers(self) -> None:
        """Leave the signals alone."""


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
    server = _PagesServer(uvicorn.Config(bridge.pages, log_config=None, access_log=False, server_header=False))
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
