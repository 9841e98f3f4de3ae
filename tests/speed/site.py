"""The real service under measurement: ``padpost serve`` as a process of its own, with eight analyzers on loopback."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.faults.served import PATIENCE_S, Served, free_port
from tests.speed.strips import ANALYZERS

MAPPINGS = Path(__file__).parent / "mappings"
RECORDS, CHART = "records", "chart"
OPEN = "('unborn', 'queued', 'sending', 'retrying')"
BY_EYE = "  - {name: ward-eyes, analyzer: ward-4, profile: heron, kind: by_eye}\n"
_TICK_S = 1 / os.sysconf("SC_CLK_TCK")
_LINKS = {"ember-stream": "link: stream, cut: {by: line}", "ember-link": "link: lis01"}


class Site:
    """A site in ``home``. ``mllp`` and ``fhir`` are receivers' ports; 0 leaves the destination out."""

    def __init__(self, home: Path, *, profile: str = "ember-stream", mllp: int = 0, fhir: int = 0) -> None:
        self.ports = [free_port() for _ in range(ANALYZERS)]
        self.file = home / "store" / "padpost.sqlite"
        self._names = [name for name, port in ((RECORDS, mllp), (CHART, fhir)) if port]
        sources = [
            f"  - {{name: bench{number}, analyzer: bench{number}, profile: {profile}, kind: tcp, role: listen, port: {port}, {_LINKS[profile]}}}\n"
            for number, port in enumerate(self.ports)
        ]
        self.served = Served(
            home,
            data=home / "store",
            sources="".join([*sources, BY_EYE]),
            destinations=_destinations(mllp, fhir) + f'mappings: "{MAPPINGS}"\n',
        )

    def start(self) -> float:
        """Start it, wait until it is ready and sends to every destination; give the seconds until it was ready."""
        began = time.monotonic()
        self.served.start()
        self.served.wait_ready()
        ready_s = time.monotonic() - began
        self.wait(lambda: self._opened() == len(self._names))
        return ready_s

    def wait_settled(self) -> int:
        """Wait until no delivery is under way; give when that was (monotonic nanoseconds)."""
        self.wait(lambda: self.count(f"SELECT count(*) FROM deliveries WHERE state IN {OPEN}") == 0)
        return time.monotonic_ns()

    def wait(self, claim: Callable[[], bool]) -> None:
        """Wait until ``claim()`` holds. Raises AssertionError if it does not, or the service ends."""
        until = time.monotonic() + PATIENCE_S
        while not claim():
            assert self.served.is_running, self.served.log[-2000:]
            assert time.monotonic() < until, f"it never came true: {self.served.log[-2000:]}"
            time.sleep(0.002)

    def count(self, query: str) -> int:
        """Give the one number that ``query`` answers."""
        return int(self.text(query))

    def text(self, query: str) -> str:
        """Give the one value that ``query`` answers."""
        with closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True, timeout=30)) as store:
            return str(store.execute(query).fetchone()[0])

    def _opened(self) -> int:
        return self.count(
            "SELECT count(*) FROM destinations WHERE state IN ('open', 'resting')"
        )  # resting: it tried, and nobody answers

    @property
    def processor_s(self) -> float:
        """Give the processor seconds that the process has used."""
        fields = Path(f"/proc/{self.served.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) * _TICK_S  # utime, stime: proc(5), fields 14 and 15

    @property
    def resident_mb(self) -> float:
        """Give the process's resident memory, MB (10^6 bytes)."""
        status = Path(f"/proc/{self.served.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmRSS:"))
        return int(line.split()[1]) * 1024 / 1e6

    @property
    def written_bytes(self) -> int:
        """Give how many bytes the process has had written to the disk."""
        lines = Path(f"/proc/{self.served.pid}/io").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))

    @property
    def stored_bytes(self) -> int:
        """Give the size of the store's file and its log."""
        return sum(path.stat().st_size for path in self.file.parent.glob("padpost.sqlite*"))


def _destinations(mllp: int, fhir: int) -> str:
    lines = []
    if mllp:
        lines.append(
            f"  - {{name: {RECORDS}, kind: mllp, host: 127.0.0.1, port: {mllp}, processing_id: T, retry: {{first_s: 0.2, longest_s: 1}}}}\n"
        )
    if fhir:
        lines.append(
            f'  - {{name: {CHART}, kind: fhir, base_url: "http://127.0.0.1:{fhir}/r4", result_system: "urn:example:results",'
            " processing_id: T, retry: {first_s: 0.2, longest_s: 1}}\n"
        )
    return "".join(lines) or "  []\n"
