"""The rounds of two processes on one PostgreSQL: each on a database of its own, judged at once, played whole or not at all.

What is measured is told in seconds, from the fault to the moment at which the other process holds every lease. Nothing is
asked of the service but that; whether it kept its promises the senders' and the receivers' notes say.
"""

from __future__ import annotations

import contextlib
import shutil
import signal
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing
from pathlib import Path

from alembic import command
from alembic.config import Config

from bridge.clock import now
from bridge.store import migrate
from bridge.store.codec import packed, when
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from tests.faults import namespaces
from tests.faults.asides import OLD
from tests.faults.history import History
from tests.faults.members import NAMES, Member, Pair, Site, end_feeding
from tests.faults.menu import NETWORKS, Fault, Round
from tests.faults.records import CHART, HL7, LATE
from tests.faults.served import end_orphan
from tests.peers.postgres import PostgresServer

BEFORE = 6  # captures that an older Padpost kept and did not judge
HELD_S = 1.0  # how long at least a fault goes on once the other has taken over
CUT_OFF_S = 120.0  # a bound: the longest wait for an answer, the patience behind it (15 s, to the next knock 31 s), winding up
AFTER_S = 2.0  # how long a thawed process is watched: two heartbeats
# Docs/decisions/0015: a process frozen between its last look at the clock and the write can send one message late, the very same bytes
LATE_ONES = 1


class Pairs:
    """Plays such rounds below ``home``. ``template`` is an SQLite store whose message plans are checked already; ``close`` ends the server."""

    def __init__(self, home: Path, template: Path) -> None:
        self._home = home
        self._template = template
        self._note = home.with_name("postgres")  # where the server's folder is, for who clears up behind a killed campaign
        self._server: PostgresServer | None = None
        self._measured: dict[str, float] = {}
        self._plays: Mapping[Fault, Callable[[Pair], None]] = {
            Fault.PAIR_KILL: self._kill,
            Fault.PAIR_FREEZE: self._freeze,
            Fault.PAIR_NO_BASE: self._cut_from_base,
            Fault.PAIR_NO_RECORDS: self._cut_from_records,
            Fault.PAIR_HOLE: self._swallow,
            Fault.PAIR_BASE_KILL: self._kill_base,
            Fault.PAIR_MIGRATION: self._start_at_once,
        }

    def play(self, chosen: Round) -> tuple[History, list[str], Mapping[str, float]]:
        """Play a round; give its history, every breach, and what was measured."""
        clear(self._home)
        self._home.mkdir(parents=True)
        self._measured = {}
        server = self._started()
        database = f"round_{chosen.number}"
        server.sql(f"DROP DATABASE IF EXISTS {database} WITH (FORCE)")
        self._make(server, database, chosen)
        receivers = (HL7,) if chosen.fault is Fault.PAIR_FREEZE else (HL7, CHART, LATE)
        site = Site(server=server, database=database, receivers=receivers, is_apart=chosen.fault in NETWORKS)
        with ExitStack() as stack:
            pair = Pair(self._home, stack, site, chosen)
            self._plays[chosen.fault](pair)
            pair.drain()
            found = [f"round {chosen.number} ({chosen.fault}): {each}" for each in pair.faults()]
            history = pair.journal.history
        server.sql(f"DROP DATABASE {database} WITH (FORCE)")
        clear(self._home)
        return history, found, self._measured

    def close(self) -> None:
        """End the server, if there is one."""
        if self._server is not None:
            self._server.close()
            self._server = None
            self._note.unlink()

    # --- the server and its databases

    def _started(self) -> PostgresServer:
        if self._server is None:
            if self._note.exists():  # a killed campaign's; the server itself died with it
                shutil.rmtree(self._note.read_text(encoding="utf-8"), ignore_errors=True)
            self._server = PostgresServer()
            self._note.write_text(str(self._server.folder), encoding="utf-8")
            self._server.sql("CREATE DATABASE plans TEMPLATE template0")
            PostgresStore(Server(url=self._server.url("plans"))).close()
            self._copy_checks(self._server, "plans")
        return self._server

    def _copy_checks(self, server: PostgresServer, database: str) -> None:
        """Put in what was found of the message plans: checking them anew in each round would cost more than the round."""
        with closing(sqlite3.connect(self._template)) as known, server.connected(database) as db:
            checks = known.execute("SELECT digest, fault, at FROM plan_checks").fetchall()
            db.cursor().executemany("INSERT INTO plan_checks (digest, fault, at) VALUES (%s, %s, %s)", checks)

    def _make(self, server: PostgresServer, database: str, chosen: Round) -> None:
        """Make the round's database: of the newest schema, or of an older one."""
        old = chosen.fault is Fault.PAIR_MIGRATION
        server.sql(f"CREATE DATABASE {database} TEMPLATE {'template0' if old else 'plans'}")
        if not old:
            return
        config = Config()
        config.set_main_option("script_location", str(Path(migrate.__file__).parent / "migrations"))
        config.attributes["target"] = Server(url=server.url(database)).conninfo()
        command.upgrade(config, OLD[chosen.chance % len(OLD)])
        self._copy_checks(server, database)

    # --- one of two

    @contextlib.contextmanager
    def _fed(self, pair: Pair, part: float = 1.0) -> Iterator[None]:
        """Bring strips meanwhile."""
        cut = threading.Event()
        feeders = pair.feed(cut, part)
        try:
            yield
        finally:
            end_feeding(cut, feeders)

    def _kill(self, pair: Pair) -> None:
        """Kill who has the folder; the other goes on with everything. Half of the dead come back at once, the others at the end."""
        pair.start()
        with self._fed(pair):
            victim = pair.holder("source:drops")
            time.sleep(pair.chosen.seconds)  # the moment is the seed's choice, not a wait for anything
            victim.served.kill()
            self._measured["taken over after kill -9"] = pair.taken_over(pair.other(victim))
            if pair.chosen.ends_by_kill:
                victim.start()
                victim.served.wait_ready()
                time.sleep(HELD_S)  # under load, and with work passing back to it

    def _freeze(self, pair: Pair) -> None:
        """Freeze who sends until the other does; thawed, it may send nothing more, and mark nothing."""
        pair.start()
        with self._fed(pair, 0.5):
            victim = pair.holder("destination:hl7")
            time.sleep(pair.chosen.seconds)  # as above
            victim.served.send(signal.SIGSTOP)
            self._measured["taken over from a frozen one"] = pair.taken_over(pair.other(victim))
            time.sleep(HELD_S)
            thawed_s = time.monotonic()
            victim.served.send(signal.SIGCONT)
        with self._fed(pair):  # so that there is something to send
            time.sleep(AFTER_S)
        late = pair.sent_by(victim, thawed_s)
        self._measured["messages that a thawed one had begun"] = float(late)
        if late > LATE_ONES:
            pair.breaches.append(f"a process that was thawed beyond its lease sent {late} messages")
        self._watch_marks(pair, victim)

    def _watch_marks(self, pair: Pair, victim: Member) -> None:
        """Look that the thawed one holds the door to the receiver no more: there is one receiver, so it never comes back to it."""
        if pair.holder("destination:hl7") is victim:
            pair.breaches.append("a process that was thawed beyond its lease sends again, though the other lives")

    def _cut_from_base(self, pair: Pair) -> None:
        """Cut the first off from the database alone: analyzers still reach it, and it still reaches the receivers."""
        pair.start()
        one, two = pair.members
        assert one.links is not None
        with self._fed(pair):
            time.sleep(pair.chosen.seconds)  # as above
            one.links.base.cut()
            self._outlast(pair, one, two, "taken over after a network cut")
            one.links.base.mend()
            one.served.wait_ready()

    def _outlast(self, pair: Pair, cut_off: Member, heir: Member, what: str) -> None:
        """Wait until the heir has everything; then who is cut off may send nothing for as long as that lasts."""
        self._measured[what] = pair.taken_over(heir)
        over_s = time.monotonic()
        time.sleep(HELD_S + pair.chosen.seconds)  # as above
        sent = pair.sent_by(cut_off, over_s)
        if sent:
            pair.breaches.append(f"a process without its database sent {sent} messages after its lease was over")

    def _cut_from_records(self, pair: Pair) -> None:
        """Cut the first off from the receivers alone: once its patience is over, the other sends what it held; mended, that stays so."""
        pair.start()
        one, two = pair.members
        assert one.links is not None
        with self._fed(pair, 0.5):
            time.sleep(pair.chosen.seconds)  # as above
            one.links.records.cut()
        with self._fed(pair):  # so that there is something to send to each
            self._measured["taken over from one that reaches no receiver"] = pair.taken_over(
                two, kind="destination:", bound_s=CUT_OFF_S
            )
            one.links.records.mend()
            time.sleep(HELD_S)
            if pair.holder("destination:hl7") is not two:
                pair.breaches.append("a process that stands back from a receiver has it again, though the other reaches it")

    def _swallow(self, pair: Pair) -> None:
        """Let a proxy swallow all that one and the database say to each other, calls too; at last it ends the connections."""
        pair.start()
        with self._fed(pair):
            time.sleep(pair.chosen.seconds)  # as above
            victim = pair.holder("destination:hl7")
            base = victim.proxies["base"]
            base.command(cmd="set", dir="both", mode="blackhole")
            base.command(cmd="accept", mode="blackhole")
            self._outlast(pair, victim, pair.other(victim), "taken over from one behind a black hole")
            base.command(cmd="kill", how="reset")
            base.command(cmd="clear")
            victim.served.wait_ready()

    # --- both

    def _kill_base(self, pair: Pair) -> None:
        """Kill the server with all its sessions, and start it again: nothing is acknowledged meanwhile, and nothing is lost."""
        pair.start()
        server = self._started()
        with self._fed(pair):
            time.sleep(pair.chosen.seconds)  # as above
            server.kill()
            time.sleep(pair.chosen.seconds / 2)  # as above
            server.start()
            began = time.monotonic()
            pair.look_again()
            for member in pair.members:
                member.served.wait_ready()
            self._measured["both ready after their server came back"] = time.monotonic() - began

    def _start_at_once(self, pair: Pair) -> None:
        """Start both on an older schema, with strips that nobody judged yet; half of the times one is killed in the middle of it."""
        self._keep_some(pair)
        for member in pair.members:
            member.start()
        if pair.chosen.ends_by_kill:
            victim = pair.members[pair.chosen.chance % 2]
            time.sleep(pair.chosen.seconds)  # as above
            victim.served.kill()
        for member in pair.members:
            if member.served.is_running:
                member.served.wait_ready()

    def _keep_some(self, pair: Pair) -> None:
        """Put in what an older Padpost kept of the folder and did not judge yet."""
        with self._started().connected(f"round_{pair.chosen.number}") as db:
            for number in range(1, BEFORE + 1):
                batch = pair.kept_before(number)
                db.execute(
                    "INSERT INTO captures (analyzer, profile, source, way, name, arrived_at, torn, live, digest, payload)"
                    " VALUES ('bench-a','brook-file','drops','folder',%s,%s,0,0,%s,%s)",
                    (batch.name, when(now()), "d" * 64, packed(batch.text)),
                )
            db.execute("INSERT INTO intake (capture_id, analyzer, next_index, because) SELECT id, 'bench-a', 0, '' FROM captures")


def clear(home: Path) -> None:
    """Take away what a round left below ``home``, also one whose campaign was killed: processes, network, files."""
    if not home.exists():
        return
    for name in NAMES:
        end_orphan(home / name)
    if (home / "namespace").exists():
        namespaces.forget((home / "namespace").read_text(encoding="ascii"))
    shutil.rmtree(home)
