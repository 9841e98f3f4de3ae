"""What is measured, each a function of the options that gives rows. The real service, real sockets, a real disk; every arrival is verified."""

from __future__ import annotations

import http.client
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from bridge import clock
from tests.faults.served import free_port
from tests.speed.feeding import Analyzers
from tests.speed.receivers import Receiver, verified
from tests.speed.runs import PEERS, WARM_UP, Carried, Peer, Pipeline, at_full_speed, latencies, one_at_a_time, peer, site
from tests.speed.site import Site
from tests.speed.stock import fill
from tests.speed.strips import OWN_PATIENTS, Strips

MODEL = range(16)  # strips that are really carried before a store is filled with their like
STATS = 200  # urgent strips during a drain
STAT_EVERY_S = 0.02  # ours: between two urgent strips, much denser than any laboratory
REST_S = 2.0  # ours: what a start does beside getting ready is over by then, and memory is looked at
DRAIN_BOUND_S = 60.0  # a drain is watched for so long at most
VISITS = 40  # looks at each page; the second slowest is its 95th percentile
# Every GET route of the pages and the API (test_measures compares them with the routes that the application has), "RESULT" and so on an id of the store
PAGES = (
    "/", "/?wall=true", "/rejected", "/rejected?rule=patient.check_digit&analyzer=bench3&receiver=records&age=waiting&owner=-", "/api/news/rejected?after=1", "/api/news/rejected/rows?stops=1,2,3", "/results", "/results?kind=non_patient", "/results?kind=copy", "/results?kind=discarded", "/results/RESULT", "/corrections",
    "/strips/STRIP", "/rejected/STOP", "/rejected/STOP/specimen", "/controls", "/controls/charts", "/controls/months", "/controls/months/2026-10?analyzer=bench3&strip_type=ember-12", "/controls/months/2026-10/report?analyzer=bench3&strip_type=ember-12", "/controls/months/2026-10/report.pdf?analyzer=bench3&strip_type=ember-12", "/controls/lots/new", "/controls/lots/LOT", "/lots", "/lots/strips?strip_type=ember-12&strip_lot=24Z99", "/lots/strips.csv?strip_type=ember-12&strip_lot=24Z99",
    "/lots/compared?strip_type=ember-12&first=24Z98&second=24Z99", "/analyzers", "/receivers", "/hand-over", "/find", "/day-log", "/day-log/month?analyzer=ember-1&month=2026-11", "/registered", "/registered/strips?registration=1", "/numbers", "/signals", "/signals/ringing", "/telling", "/audit", "/audit?what=seen", "/audit?strip=STRIP", "/audit?day=2026-11-25", "/telling/rules", "/days/2026-11-25", "/days/2026-11-25/report", "/days/2026-11-25/report.pdf", "/enter", "/enter/eye/ward-eyes?strip_type=fourteen", "/enter/slip/bench0", "/enter/kept/CAPTURE", "/to-add", "/to-add/AWAITED", "/to-add/held/STOP", "/try-out", "/api/today", "/api/news", "/api/stops", "/api/stops/STOP", "/api/reasons",
    "/api/reasons/copy.possible/read-again", "/api/reasons/copy.possible/release", "/api/results", "/api/results/RESULT", "/api/strips", "/api/strips?outcome=held", "/api/strips/STRIP",
    "/reports", "/reports/2026-10/turnaround", "/reports/2026-11-25/turnaround", "/reports/2026-10/stops", "/reports/2026-10/operators", "/reports/2026-10/indicators", "/reports/2026-10/turnaround/report", "/reports/2026-11-25/stops/report.pdf", "/reports/2026-10/operators/hours.csv",
    "/api/openapi.json", "/health/live", "/health/ready",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One line of the table. ``ratio`` is to ``beside``, both measured in this run; ``target`` is what the ratio or the figure should be."""

    what: str
    figure: float
    unit: str
    beside: str = ""
    ratio: float | None = None
    target: str = ""


@dataclass(frozen=True, kw_only=True)
class Options:
    """How much is measured. ``folder`` is where stores are made: a real disk, or the commits cost nothing."""

    folder: Path | None = None
    rounds: int = 3
    strips: int = 4_000
    naive: int = 60
    waiting: int = 100_000
    stored: int = 1_000_000
    strips_made: Strips = field(default_factory=lambda: Strips(clock.now() - timedelta(days=2)))

    @contextmanager
    def home(self) -> Iterator[Path]:
        """Give a folder for one run; it is gone afterwards."""
        with tempfile.TemporaryDirectory(prefix="padpost-speed-", dir=self.folder) as home:
            yield Path(home)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Cost:
    """What the service spent on one strip."""

    processor_s: float
    written_bytes: float
    stored_bytes: float


def whole_pipeline(options: Options) -> Iterator[Row]:
    """Carry strips by ours and by every peer, in turn, round after round; then one at a time."""
    full: dict[str, list[Carried]] = {name: [] for name in (*PEERS, "ours")}
    single: dict[str, list[Carried]] = {name: [] for name in ("two", "ours")}
    costs = []
    for _ in range(options.rounds):
        for name in PEERS:
            with _beside(options, name) as (beside, receiver, analyzers):
                if name != "naive":
                    _warm(beside, receiver, analyzers, options)
                count = options.naive if name == "naive" else options.strips
                full[name].append(_full(beside, receiver, analyzers, options, count))
                if name == "two":
                    single[name].append(_single(receiver, analyzers, options))
        with _served(options) as (bridge, receiver, analyzers):
            _warm(bridge, receiver, analyzers, options)
            run, cost = _ours(bridge, receiver, analyzers, options)
            full["ours"].append(run)
            costs.append(cost)
            single["ours"].append(_single(receiver, analyzers, options))
    yield from _full_rows(_median_rates(full))
    yield from _single_rows(_median_rates(single))
    yield from _percentiles(
        "one strip at a time, last byte to the receiver's answer", [wait for run in single["ours"] for wait in run.latencies_s]
    )
    yield from _cost_rows(costs)


@contextmanager
def _beside(options: Options, name: str) -> Iterator[tuple[Peer, Receiver, Analyzers]]:
    """Run a peer with its receiver and its analyzers."""
    with (
        options.home() as home,
        Receiver() as receiver,
        peer(home, name, receiver) as beside,
        Analyzers(beside.ports) as analyzers,
    ):
        yield beside, receiver, analyzers


@contextmanager
def _served(options: Options, profile: str = "ember-stream") -> Iterator[tuple[Site, Receiver, Analyzers]]:
    """Run our service with its receiver and its analyzers."""
    with (
        options.home() as home,
        Receiver() as receiver,
        site(home, profile=profile, mllp=receiver.port) as bridge,
        Analyzers(bridge.ports) as analyzers,
    ):
        yield bridge, receiver, analyzers


def _ours(bridge: Site, receiver: Receiver, analyzers: Analyzers, options: Options) -> tuple[Carried, _Cost]:
    processor_s, written = bridge.processor_s, bridge.written_bytes
    run = _full(bridge, receiver, analyzers, options, options.strips)
    _check_rows(bridge, WARM_UP + options.strips)
    return run, _Cost(
        processor_s=(bridge.processor_s - processor_s) / options.strips,
        written_bytes=(bridge.written_bytes - written) / options.strips,
        stored_bytes=bridge.stored_bytes / (WARM_UP + options.strips),
    )


def _median_rates(runs: Mapping[str, list[Carried]]) -> dict[str, float]:
    return {name: statistics.median(run.rate for run in each) for name, each in runs.items()}


def _full_rows(rates: Mapping[str, float]) -> Iterator[Row]:
    for beside, name, target in (("the group floor", "group", "≥ 0.3, then 0.5"), ("the naive pipeline", "naive", "≥ 40")):
        yield Row(
            what="whole pipeline",
            figure=rates["ours"],
            unit="strips/s",
            beside=beside,
            ratio=rates["ours"] / rates[name],
            target=target,
        )
    for name in PEERS:
        yield Row(what="naive pipeline" if name == "naive" else f"floor, {name}", figure=rates[name], unit="strips/s")


def _single_rows(rates: Mapping[str, float]) -> Iterator[Row]:
    yield Row(
        what="one strip at a time",
        figure=rates["ours"],
        unit="strips/s",
        beside="the two-commit floor",
        ratio=rates["ours"] / rates["two"],
        target="≥ 0.4, then 0.6",
    )
    yield Row(what="floor, two, one strip at a time", figure=rates["two"], unit="strips/s")


def _cost_rows(costs: list[_Cost]) -> Iterator[Row]:
    median = statistics.median
    yield Row(what="processor time a strip", figure=median(cost.processor_s for cost in costs) * 1e3, unit="ms")
    yield Row(what="written to the disk a strip", figure=median(cost.written_bytes for cost in costs) / 1e3, unit="kB")
    yield Row(what="size of the store a strip", figure=median(cost.stored_bytes for cost in costs) / 1e3, unit="kB")


def _warm(pipeline: Pipeline, receiver: Receiver, analyzers: Analyzers, options: Options) -> None:
    at_full_speed(pipeline, receiver, analyzers, options.strips_made, range(WARM_UP))


def _full(pipeline: Pipeline, receiver: Receiver, analyzers: Analyzers, options: Options, count: int) -> Carried:
    numbers = range(WARM_UP, WARM_UP + count)
    return at_full_speed(pipeline, receiver, analyzers, options.strips_made, numbers)


def _single(receiver: Receiver, analyzers: Analyzers, options: Options) -> Carried:
    begin = WARM_UP + options.strips
    return one_at_a_time(receiver, analyzers, options.strips_made, range(begin, begin + min(options.strips, 500)))


def _check_rows(bridge: Site, count: int) -> None:
    """See that every row and event of every strip is written. Raises AssertionError."""
    for query in (
        "SELECT count(*) FROM strips WHERE outcome = 'coded'",
        "SELECT count(*) FROM deliveries WHERE state = 'accepted'",
        "SELECT count(*) FROM attempts WHERE code = 'AA'",
        "SELECT count(*) FROM history WHERE what = 'strip.judged'",
        "SELECT count(*) FROM history WHERE what = 'delivery.accept'",
    ):
        assert bridge.count(query) == count, (query, bridge.count(query), count)


def _percentiles(what: str, seconds: list[float], target: str = "") -> Iterator[Row]:
    cuts = statistics.quantiles(seconds, n=100)
    yield Row(what=f"{what}, p50", figure=cuts[49] * 1e3, unit="ms")
    yield Row(what=f"{what}, p99", figure=cuts[98] * 1e3, unit="ms", target=target)


def link_layer(options: Options) -> Iterator[Row]:
    """LIS01 over TCP on eight connections: one session a strip, one record a frame, each frame answered."""
    numbers = range(WARM_UP, WARM_UP + options.strips // 2)
    with _served(options, "ember-link") as (bridge, receiver, analyzers):
        analyzers.talk(options.strips_made, range(WARM_UP))
        receiver.wait_for(WARM_UP)
        receiver.forget()
        began_ns = analyzers.talk(options.strips_made, numbers)
        receiver.wait_for(len(numbers))
        settled_ns = bridge.wait_settled()
        verified(receiver.arrivals(), set(numbers))
    rate = len(numbers) / ((settled_ns - began_ns) / 1e9)
    yield Row(what="LIS01 over TCP", figure=rate, unit="strips/s")
    yield Row(what="LIS01 over TCP", figure=rate * len(options.strips_made.records(0)), unit="frames/s")


def fhir_cost(options: Options) -> Iterator[Row]:
    """Send the same strips to the MLLP receiver alone, and to a FHIR server as well."""
    rates = {}
    for both in (False, True):
        with options.home() as home, Receiver() as receiver, Receiver("fhir") as chart:
            rates[both] = _rate_to(options, home, receiver, chart if both else None)
    yield Row(
        what="whole pipeline to MLLP and FHIR",
        figure=rates[True],
        unit="strips/s",
        beside="to MLLP alone",
        ratio=rates[True] / rates[False],
    )


def _rate_to(options: Options, home: Path, receiver: Receiver, chart: Receiver | None) -> float:
    with site(home, mllp=receiver.port, fhir=chart.port if chart else 0) as bridge, Analyzers(bridge.ports) as analyzers:
        _warm(bridge, receiver, analyzers, options)
        if chart:
            chart.forget()
        rate = _full(bridge, receiver, analyzers, options, options.strips).rate
        if chart:
            verified(chart.arrivals(), set(range(WARM_UP, WARM_UP + options.strips)))
        return rate


def intake_only(options: Options) -> Iterator[Row]:
    """No destination: received, kept, judged, coded, and nothing sent."""
    with options.home() as home, site(home) as bridge, Analyzers(bridge.ports) as analyzers:
        judged = "SELECT count(*) FROM strips WHERE outcome = 'coded'"
        analyzers.feed(options.strips_made, range(WARM_UP))
        bridge.wait(lambda: bridge.count(judged) == WARM_UP)
        began = analyzers.feed(options.strips_made, range(WARM_UP, WARM_UP + options.strips))
        bridge.wait(lambda: bridge.count(judged) == WARM_UP + options.strips)
        yield Row(what="intake only", figure=options.strips / ((time.monotonic_ns() - began) / 1e9), unit="strips/s")


def start_up(options: Options) -> Iterator[Row]:
    """Start, with compiled bytecode and known plans, and memory at rest."""
    ready, resident = [], []
    with options.home() as home, Receiver() as receiver:
        bridge = Site(home, mllp=receiver.port)
        try:
            for number in range(options.rounds + 3):
                ready_s = bridge.start()
                if number:  # the first start shows the plans to the oracles
                    ready.append(ready_s)
                    resident.append(bridge.resident_mb)
                bridge.served.stop()
        finally:
            bridge.served.end()
    yield Row(what="start until ready", figure=statistics.median(ready), unit="s", target="≤ 1")
    yield Row(what="memory at rest", figure=statistics.median(resident), unit="MB", target="≤ 110")


def outage(options: Options) -> Iterator[Row]:
    """Let a receiver come back to many waiting messages: start after kill -9, memory, the drain, urgent strips in the middle of it."""
    port = free_port()
    with options.home() as home:
        bridge = Site(home, mllp=port)
        try:
            steady = _steady(bridge, options, port)
            begin = WARM_UP + options.strips
            urgent, waiting = range(OWN_PATIENTS, OWN_PATIENTS + STATS), range(begin, begin + options.waiting)
            fill(bridge.file, options.waiting, first=waiting[0], waiting=True)
            bridge.start()
            bridge.served.kill()
            ready_s = bridge.start()
            time.sleep(REST_S)
            resident_mb = bridge.resident_mb
            rate, waits = _drained(bridge, options, port, waiting=waiting, urgent=urgent)
            bridge.served.stop()
        finally:
            bridge.served.end()
    many = f"{options.waiting:,} waiting"
    yield Row(what=f"start until ready after kill -9, {many}", figure=ready_s, unit="s", target="≤ 5")
    yield Row(what=f"memory, {many}", figure=resident_mb, unit="MB", target="≤ at rest + 50")
    yield Row(what=f"drain, {many}", figure=rate, unit="strips/s", beside="steady state", ratio=rate / steady, target="≥ 0.9")
    yield from _percentiles(f"STAT while {many}, last byte to the receiver's answer", waits, "≤ 50")


def _steady(bridge: Site, options: Options, port: int) -> float:
    """Carry strips with nothing waiting; give strips a second."""
    bridge.start()
    with Receiver(port=port) as receiver, Analyzers(bridge.ports) as analyzers:
        _warm(bridge, receiver, analyzers, options)
        rate = _full(bridge, receiver, analyzers, options, options.strips).rate
    bridge.served.stop()
    return rate


def _drained(bridge: Site, options: Options, port: int, *, waiting: range, urgent: range) -> tuple[float, list[float]]:
    """Let the receiver come back; give strips a second of the drain, and what each urgent strip waited (the whole watch, if it never came)."""
    with Analyzers(bridge.ports) as analyzers, Receiver(port=port) as receiver:
        receiver.wait_for(1)
        began_ns = time.monotonic_ns()
        sent_ns = {}
        for number in urgent:
            sent_ns[number] = analyzers.put(number, options.strips_made.line(number, stat=True))
            time.sleep(STAT_EVERY_S)
        all_of_them = len(waiting) + len(urgent)
        until = time.monotonic() + DRAIN_BOUND_S
        while receiver.count() < all_of_them and time.monotonic() < until:
            time.sleep(0.05)
        arrivals = receiver.arrivals()
        seconds = (arrivals[-1].at_ns - began_ns) / 1e9
        if len(arrivals) == all_of_them:
            verified(arrivals, {*waiting, *urgent})
            bridge.wait_settled()
        waits = latencies(sent_ns, arrivals)
        return len(arrivals) / seconds, [*waits, *[DRAIN_BOUND_S] * (len(urgent) - len(waits))]


def full_store(options: Options) -> Iterator[Row]:
    """Carry strips and show pages with a year's strips stored, beside a thousand."""
    rates: dict[int, float] = {}
    starts: dict[int, float] = {}
    pages: dict[int, Mapping[str, float]] = {}
    for stored in (1_000, options.stored):
        with options.home() as home, Receiver() as receiver:
            with site(home, mllp=receiver.port) as bridge, Analyzers(bridge.ports) as analyzers:
                at_full_speed(bridge, receiver, analyzers, options.strips_made, MODEL)
                analyzers.put(0, b"no strip\r\n")  # a row of Rejected messages to look at
                bridge.wait(lambda: bridge.count("SELECT count(*) FROM stops") == 1)
            fill(bridge.file, stored, first=MODEL.stop + 2 * options.strips, waiting=False)
            _await(bridge.file)
            try:
                starts[stored] = bridge.start()
                pages[stored] = {page: _p95(bridge, page) for page in PAGES}
                with Analyzers(bridge.ports) as analyzers:
                    runs = [
                        at_full_speed(bridge, receiver, analyzers, options.strips_made, range(begin, begin + options.strips))
                        for begin in range(MODEL.stop, MODEL.stop + 2 * options.strips, options.strips)
                    ]
                rates[stored] = runs[-1].rate
                bridge.served.stop()
            finally:
                bridge.served.end()
    many = f"{options.stored:,} stored"
    yield Row(
        what=f"whole pipeline, {many}",
        figure=rates[options.stored],
        unit="strips/s",
        beside="1,000 stored",
        ratio=rates[options.stored] / rates[1_000],
        target="≥ 0.9",
    )
    yield Row(
        what=f"start until ready, {many}",
        figure=starts[options.stored],
        unit="s",
        beside="1,000 stored",
        ratio=starts[options.stored] / starts[1_000],
    )
    for page, wait_s in pages[options.stored].items():
        yield Row(
            what=f"page {page}, {many}, p95",
            figure=wait_s * 1e3,
            unit="ms",
            beside="1,000 stored",
            ratio=wait_s / pages[1_000][page],
            target="≤ 2,000" if page.partition("?")[0].endswith(".pdf") else "≤ 50",  # a PDF is a child process of its own
        )


_WAITS = (
    "INSERT INTO additions_awaited (capture_id, idx, analyzer, result_id, version, asks, due_at, holds, state) SELECT capture_id, idx, analyzer,"
    " result_id, 1, '[\"colour\"]', '2999-01-01T00:00:00.000000Z', 0, ? FROM strips WHERE outcome = 'coded' ORDER BY id DESC LIMIT ?"
)


def _await(file: Path) -> None:
    """Let every result have waited for additions, and a hundred of the newest wait still, more than any bench has."""
    with closing(sqlite3.connect(file)) as store, store:
        store.execute(_WAITS, ("added", -1))
        store.execute(_WAITS, ("open", 100))


def _p95(bridge: Site, page: str) -> float:
    """Look at a page again and again; give the 95th percentile of the seconds. The ids in its address are the newest of the store."""
    for word, query in _IDS.items():
        if word in page:
            page = page.replace(word, bridge.text(query))
    return sorted(_get(bridge, page) for _ in range(VISITS))[-2]


_IDS = {
    "RESULT": "SELECT result_id FROM strips WHERE outcome = 'coded' ORDER BY id DESC LIMIT 1",
    "STRIP": "SELECT max(id) FROM strips",
    "STOP": "SELECT max(id) FROM stops",
    "LOT": "SELECT max(id) FROM control_lots",
    "CAPTURE": "SELECT max(id) FROM captures",
    "AWAITED": "SELECT max(id) FROM additions_awaited",
}


def _get(bridge: Site, page: str) -> float:
    """Ask for a page; give the seconds until its last byte."""
    talk = http.client.HTTPConnection("127.0.0.1", bridge.served.port, timeout=60)
    began = time.monotonic()
    try:
        talk.request("GET", page)
        answer = talk.getresponse()
        body = answer.read()
        assert answer.status == 200, (page, answer.status, body[:200])
        return time.monotonic() - began
    finally:
        talk.close()


MEASURES: Mapping[str, Callable[[Options], Iterator[Row]]] = {
    "pipeline": whole_pipeline,
    "link": link_layer,
    "fhir": fhir_cost,
    "intake": intake_only,
    "start": start_up,
    "outage": outage,
    "stored": full_store,
}
