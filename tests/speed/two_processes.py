"""Two ``padpost serve`` on one PostgreSQL beside one: strips a second, and strips for each second of processor time. By hand, not a test.

    python -m tests.speed.two_processes --rounds 3 --strips 1000

Eight analyzers over TCP, four at each process (with one process: all eight at it), and an MLLP receiver. Every arrival is verified: each strip
once, under a control ID of its own, each patient's in order. The server's processor time is told apart: both share the machine.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import psycopg

from bridge import clock
from tests.faults.served import PATIENCE_S, Served, free_port
from tests.peers.postgres import PostgresServer
from tests.speed.feeding import Analyzers
from tests.speed.receivers import Receiver
from tests.speed.runs import WARM_UP, at_full_speed
from tests.speed.site import MAPPINGS, OPEN
from tests.speed.strips import ANALYZERS, Strips

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")
_SOURCE = "  - {{name: bench{0}, analyzer: bench{0}, profile: ember-stream, kind: tcp, role: listen, port: {1}, link: stream, cut: {{by: line}}}}\n"
_DESTINATION = (
    "  - {{name: records, kind: mllp, host: 127.0.0.1, port: {receiver}, processing_id: T, retry: {{first_s: 0.2, longest_s: 1}}}}\n"
    'mappings: "{mappings}"\ndatabase: {{url: "{url}"}}\n'
)


@dataclass(frozen=True, slots=True)
class Measured:
    """One run: strips a second, the processor seconds that a thousand strips took of our processes together, and the busiest one's share."""

    rate: float
    processor_s: float
    busiest: float


class Processes:
    """So many processes on one database, each with listeners for all analyzers; the n-th analyzer calls process n modulo their number."""

    def __init__(self, home: Path, count: int, url: str, receiver: int) -> None:
        self._url = url
        self.processes: list[Served] = []
        listening = []
        for name in range(count):
            folder = home / str(name)
            folder.mkdir()
            ports = [free_port() for _ in range(ANALYZERS)]
            sources = "".join(_SOURCE.format(number, port) for number, port in enumerate(ports))
            destinations = _DESTINATION.format(receiver=receiver, mappings=MAPPINGS, url=url)
            self.processes.append(Served(folder, data=folder / "data", sources=sources, destinations=destinations))
            listening.append(ports)
        self.ports = [listening[number % count][number] for number in range(ANALYZERS)]

    def start(self) -> None:
        """Start them, and wait until each is ready, all analyzers are shared out, and the receiver is open."""
        for process in self.processes:
            process.start()
            process.wait_ready()
        self._wait(lambda: self._count("SELECT count(*) FROM destinations WHERE state = 'open'") == 1)

    def wait_settled(self) -> int:
        """Wait until no delivery is under way; give when that was (monotonic nanoseconds)."""
        self._wait(lambda: self._count(f"SELECT count(*) FROM deliveries WHERE state IN {OPEN}") == 0)
        return time.monotonic_ns()

    @property
    def processor_s(self) -> list[float]:
        """Give the processor seconds that each of them has used."""
        fields = [Path(f"/proc/{each.pid}/stat").read_text().rpartition(")")[2].split() for each in self.processes]
        return [(int(each[11]) + int(each[12])) * _TICK_S for each in fields]  # utime, stime: proc(5), fields 14 and 15

    def _count(self, query: str) -> int:
        with psycopg.connect(self._url) as db:
            row = db.execute(query.encode()).fetchone()
            assert row is not None
            return int(row[0])

    def _wait(self, claim: Callable[[], bool]) -> None:
        until = time.monotonic() + PATIENCE_S
        while not claim():
            dead = [process for process in self.processes if not process.is_running]
            assert not dead, dead[0].log[-2000:]
            assert time.monotonic() < until, f"it never came true: {self.processes[0].log[-2000:]}"
            time.sleep(0.01)


@contextmanager
def _running(server: PostgresServer, count: int, receiver: Receiver, name: str) -> Iterator[Processes]:
    """Run so many processes on a database of their own; nothing is left running."""
    server.sql(f"CREATE DATABASE {name} TEMPLATE template0")
    with tempfile.TemporaryDirectory(prefix="padpost-speed-") as home:
        made = Processes(Path(home), count, server.url(name), receiver.port)
        try:
            made.start()
            yield made
            for process in made.processes:
                process.stop()
        finally:
            for process in made.processes:
                process.end()
    server.sql(f"DROP DATABASE {name} WITH (FORCE)")


def measured(server: PostgresServer, count: int, strips: int, name: str) -> Measured:
    """Carry ``strips`` strips with ``count`` processes. Raises AssertionError where one is lost, doubled, or out of its patient's order."""
    made = Strips(clock.now() - timedelta(days=2))
    with Receiver() as receiver, _running(server, count, receiver, name) as pipeline, Analyzers(pipeline.ports) as analyzers:
        at_full_speed(pipeline, receiver, analyzers, made, range(WARM_UP))
        before = pipeline.processor_s
        carried = at_full_speed(pipeline, receiver, analyzers, made, range(WARM_UP, WARM_UP + strips))
        used = [after - earlier for after, earlier in zip(pipeline.processor_s, before, strict=True)]
        return Measured(rate=carried.rate, processor_s=sum(used) / strips * 1000, busiest=max(used) / sum(used))


def main() -> None:
    """Measure both in turn, round after round, and print the medians."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.two_processes")
    parser.add_argument("--rounds", type=int, default=3, help="the median of so many is told")
    parser.add_argument("--strips", type=int, default=1000, help="of one run")
    given = parser.parse_args()
    runs: dict[int, list[Measured]] = {1: [], 2: []}
    server = PostgresServer()
    try:
        for turn in range(given.rounds):
            for count, each in runs.items():
                each.append(measured(server, count, given.strips, f"of_{count}_{turn}"))
                print(
                    f"{count} process(es): {each[-1].rate:.0f} strips/s, {each[-1].processor_s:.2f} processor s a thousand",
                    flush=True,
                )
    finally:
        server.close()
    one, two = (statistics.median(1000 / run.processor_s for run in each) for each in runs.values())
    print(f"strips a processor second: one {one:.0f}, two {two:.0f}: {two / one:.2f} × (target ≥ 0.8); order faults: 0")


if __name__ == "__main__":
    main()
