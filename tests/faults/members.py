"""Two real services on one PostgreSQL, each with its own doors to database and receivers, and what they share: what pair faults are played on."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import psycopg

from bridge import clock
from tests.faults.feeders import Called, Computer, Dropper, Feeder, Instrument, Line, are_feeding
from tests.faults.journal import Journal
from tests.faults.menu import Round
from tests.faults.namespaces import Link, Namespace
from tests.faults.records import CHART, HL7, LATE, Chart, chart_terms, hl7_terms, late_terms, read_fhir, read_hl7
from tests.faults.scene import DELIVERED, STOPPED, stop_words
from tests.faults.second_answers import SecondAnswers
from tests.faults.served import Served, free_port
from tests.faults.strips import Batch, Inventor
from tests.peers.mllp_receiver import MllpReceiver, Received, Reply
from tests.peers.postgres import PostgresServer
from tests.peers.proxied import FlakyProxy

DRAIN_S = 240.0  # the end must come on; this long without any movement is a failure
LOOK_S = 0.02
FIRST = 20  # numbers below are of strips that were there before the round
NAMES = ("one", "two")
HERE = "127.0.0.1"


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where the two meet: the server and the database, the receivers that are sent to, whether the first lives in a network of its own."""

    server: PostgresServer
    database: str
    receivers: tuple[str, ...]
    is_apart: bool = False


@dataclass(frozen=True, kw_only=True)
class Links:
    """The cables of a process that lives apart: to the database, to the receivers, and from analyzers and callers."""

    base: Link
    records: Link
    bench: Link


class Member:
    """One of the processes: ``served``, and the doors that it alone goes through. ``ours`` is where it meets us, ``theirs`` where we meet it."""

    def __init__(self, name: str, space: Namespace | None, stack: ExitStack) -> None:
        self.name = name
        self.space = space
        self.links = Links(base=space.link(), records=space.link(), bench=space.link()) if space else None
        self.theirs = self.links.bench.theirs if self.links else HERE
        self.mllp_port, self.answers_port = free_port(), free_port()
        self.proxies: dict[str, FlakyProxy] = {}
        self.served: Served
        self._stack = stack

    def at(self, kind: str) -> str:
        """Give the address under which it meets us over one of its cables."""
        return str(getattr(self.links, kind).ours) if self.links else HERE

    def through(self, what: str, port: int, kind: str) -> int:
        """Give it a door of its own to ``port``, and the door's port."""
        self.proxies[what] = self._stack.enter_context(FlakyProxy(port, host=self.at(kind)))
        return self.proxies[what].port

    def start(self) -> None:
        """Start it, in its network."""
        self.served.start(under=self.space.under if self.space else ())


class Pair:
    """Two members, what they receive from and send to, and the feeders' and receivers' notes. Closed by ``stack``."""

    def __init__(self, home: Path, stack: ExitStack, site: Site, chosen: Round) -> None:
        self.chosen = chosen
        self.sent: list[tuple[str, float]] = []  # who sent a message to the HL7 receiver, and when (monotonic)
        self.breaches: list[str] = []
        self.journal = Journal(home / "history.jsonl")
        stack.callback(self.journal.close)
        self._site = site
        self._drops = home / "drops"
        self._drops.mkdir()
        self.members = [Member(name, self._space(home, stack, is_apart=site.is_apart and name == "one"), stack) for name in NAMES]
        self._called = Called([member.at("bench") for member in self.members[: 1 if not site.is_apart else None]])
        stack.callback(self._called.close)
        self._receive(stack)
        for member in self.members:
            self._make(home / member.name, member)
            stack.callback(member.served.end)
        self._base = stack.enter_context(psycopg.connect(self.url, autocommit=True))
        began = clock.now() - timedelta(days=20)
        self._earlier = Inventor(profile="brook-file", letter="F", seed=chosen.chance, began=began - timedelta(days=1))
        ways = {"F": "brook-file", "L": "brook", "M": "dipper", "H": "lark"}
        self._makers = {way: Inventor(profile=ways[way], letter=way, seed=chosen.chance, began=began) for way in ways}

    @staticmethod
    def _space(home: Path, stack: ExitStack, *, is_apart: bool) -> Namespace | None:
        if not is_apart:
            return None
        space = Namespace()
        (home / "namespace").write_text(space.name, encoding="ascii")  # for who clears up behind a killed campaign
        stack.callback(space.close)
        return space

    def _receive(self, stack: ExitStack) -> None:
        self._hl7 = {member.name: MllpReceiver(decide=partial(self._took, member.name)) for member in self.members}
        self._late = MllpReceiver(decide=self._committed)
        self._chart = Chart()
        self._chart.filed = lambda body: self.journal.arrived(read_fhir(body))
        self._second = SecondAnswers(self.journal, self._chance())
        for receiver in (*self._hl7.values(), self._late):
            stack.enter_context(receiver)
        stack.enter_context(self._chart)
        stack.callback(self._second.close)
        self._second.addresses = [(member.theirs, member.answers_port) for member in self.members]

    def _chance(self) -> random.Random:
        return random.Random(self.chosen.chance)

    def _took(self, name: str, received: Received) -> Reply:
        self.sent.append((name, time.monotonic()))
        self.journal.arrived(replace(read_hl7(received.payload), by=name))
        return Reply()

    def _committed(self, received: Received) -> Reply:
        self.journal.committed(received.control_id, is_yes=True)
        reply = self._second.commit(received.control_id, is_yes=True)
        self.journal.arrived(read_hl7(received.payload, LATE))
        return reply

    # --- what a member is told

    @property
    def url(self) -> str:
        """Give the database's address, from here."""
        return self._site.server.url(self._site.database)

    def _make(self, home: Path, member: Member) -> None:
        home.mkdir()
        base = member.through("base", self._site.server.port, "base")
        database = f"postgresql://postgres@{member.at('base')}:{base}/{self._site.database}"
        bench, records = member.at("bench"), member.at("records")
        terms = {
            HL7: lambda: hl7_terms(records, member.through(HL7, self._hl7[member.name].port, "records")),
            CHART: lambda: chart_terms(records, member.through(CHART, self._chart.port, "records")),
            LATE: lambda: late_terms(
                records, member.through(LATE, self._late.port, "records"), member.answers_port, member.theirs
            ),
        }
        caller = f"kind: tcp, role: call, link: lis01, host: {bench}, port: {self._called.port}, reopen_s: 0.1"
        network = f"kind: mllp, host: {member.theirs}, port: {member.mllp_port}, reopen_s: 0.1"
        member.served = Served(
            home,
            data=home / "data",
            host=member.theirs,
            sources=f'  - {{name: drops, analyzer: bench-a, profile: brook-file, kind: folder, path: "{self._drops}", complete: rename, sweep_s: 0.1}}\n'
            f"  - {{name: line, analyzer: bench-b, profile: brook, {caller}}}\n"
            f"  - {{name: network, analyzer: bench-c, profile: dipper, {network}}}\n"
            "  - {name: posts, analyzer: bench-d, profile: lark, kind: http, key: {env: POST_KEY}, per_minute: 100000}\n",
            destinations="".join(terms[name]() for name in self._site.receivers) + f'database: {{url: "{database}"}}\n',
        )

    # --- who does what

    def start(self) -> None:
        """Start the first, let it take everything, and start the other: what a hospital has that puts a second one beside."""
        one, two = self.members
        one.start()
        one.served.wait_ready()
        self.wait(lambda: not self._elsewhere(one, "destination:hl7", "source:drops", "source:line"))
        two.start()
        two.served.wait_ready()

    def holder(self, name: str) -> Member:
        """Give who holds a lease. Raises AssertionError if nobody does for long."""
        found: list[Member] = []

        def look() -> bool:
            query = "SELECT p.pid FROM leases l JOIN processes p ON p.owner = l.owner WHERE l.name = %s"
            pids = {pid for (pid,) in self._base.execute(query, (name,))}
            found[:] = [member for member in self.members if member.served.pid in pids]
            return bool(found)

        self.wait(look)
        return found[0]

    def other(self, member: Member) -> Member:
        """Give the other one."""
        return next(each for each in self.members if each is not member)

    def taken_over(self, heir: Member, *, kind: str = "", bound_s: float = 30.0) -> float:
        """Wait until ``heir`` holds every lease of a kind, or of all; give the seconds. Raises AssertionError if that does not come."""
        began = time.monotonic()
        self.wait(lambda: not self._elsewhere(heir, kind=kind), bound_s)
        return time.monotonic() - began

    def _elsewhere(self, member: Member, *must: str, kind: str = "") -> bool:
        """Say whether any lease (of a kind, where one is named) is not ``member``'s, or one of ``must`` does not exist."""
        query = "SELECT l.name, coalesce(p.pid, 0) FROM leases l LEFT JOIN processes p ON p.owner = l.owner"
        held = {str(name): int(pid) for name, pid in self._base.execute(query)}
        return any(name not in held for name in must) or any(
            pid != member.served.pid for name, pid in held.items() if name.startswith(kind)
        )

    def sent_by(self, member: Member, since_s: float) -> int:
        """Count what a member sent to the HL7 receiver since a monotonic moment."""
        return sum(name == member.name and at > since_s for name, at in list(self.sent))

    def look_again(self) -> None:
        """Come to the database anew, after its server was away."""
        self._base.close()
        self._base = psycopg.connect(self.url, autocommit=True)

    @staticmethod
    def wait(claim: Callable[[], bool], bound_s: float = 60.0) -> None:
        """Wait until something is so. Raises AssertionError if it does not come."""
        until = time.monotonic() + bound_s
        while not claim():
            assert time.monotonic() < until, "it never came true"
            time.sleep(LOOK_S)

    # --- strips

    def kept_before(self, number: int) -> Batch:
        """Give a file that was acknowledged before this round, and note that: ``number`` counts from 1."""
        batch = self._earlier.batch(number)
        for strip in batch.strips:
            self.journal.submitted(strip)
            self.journal.acknowledged(strip)
        return batch

    def feed(self, cut: threading.Event, part: float = 1.0) -> list[Feeder]:
        """Begin to bring the strips of all four ways, or the first ``part`` of them."""
        counts = {"F": self.chosen.in_files, "L": self.chosen.on_line, "M": self.chosen.on_network, "H": self.chosen.posted}
        left = {}
        for way, most in counts.items():
            batches = map(self._makers[way].batch, range(FIRST, FIRST + round(part * most)))
            left[way] = [batch for batch in batches if not all(map(self.journal.is_acknowledged, batch.strips))]
        instruments = [(member.theirs, member.mllp_port) for member in self.members]
        pages = [(member.theirs, member.served.port) for member in self.members]
        feeders: list[Feeder] = [
            Dropper(self._drops, left["F"], self.journal, cut, lambda _: False),
            Line(self._called.open, left["L"], self.journal, cut, lambda _: False),
            Instrument(instruments, left["M"], self.journal, cut),
            Computer(pages, left["H"], self.journal, cut),
        ]
        for feeder in feeders:
            feeder.start()
        return feeders

    def drain(self) -> None:
        """Let both serve until everything is acknowledged and with every receiver; then stop both cleanly."""
        for member in self.members:
            if not member.served.is_running:
                member.start()
        for member in self.members:
            member.served.wait_ready()
        cut = threading.Event()
        feeders = self.feed(cut)
        is_through = self.journal.wait_for_all(self._site.receivers, bound_s=DRAIN_S, is_feeding=are_feeding(feeders))
        end_feeding(cut, feeders)
        assert is_through, (self.faults(), [member.served.log[-2000:] for member in self.members])
        for member in self.members:
            member.served.stop()

    def faults(self) -> list[str]:
        """Give every breach of the promises; the service's marks and stops are among what is judged."""
        marked = {(str(to), str(number)) for to, number in self._base.execute(DELIVERED.encode())}
        stops = [(str(rule), int(count)) for rule, count in self._base.execute(STOPPED.encode())]
        return self.breaches + self.journal.history.faults(self._site.receivers, marked=marked) + stop_words(stops)


def end_feeding(cut: threading.Event, feeders: Sequence[Feeder]) -> None:
    """Cut the feeders off; what lies in done/ by then still counts."""
    cut.set()
    for feeder in feeders:
        feeder.join()
        if isinstance(feeder, Dropper):
            feeder.look()
