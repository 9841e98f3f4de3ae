"""A whole bridge in this process for tests: real store, loops, pages on a loopback port, and the demo's record system."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from bridge import clock, plan_book, settings
from bridge.app import Padpost, assemble, run_until
from bridge.demo.printers import Play, framed, printed
from bridge.demo.record_system import RecordSystem
from bridge.plan_book import PlanBook
from tests.faults.served import free_port

SITE = """\
site: {{name: Test Clinic, zone: Europe/Lisbon, data: store}}
pages: {{port: {port}}}
accounts: {{sign_in: none}}
patient_ids: {{pattern: '\\d{{8}}', check_digit: luhn, authority: TEST, system: "urn:example:test"}}
sources:
  - {{name: drops, kind: folder, path: drops, analyzer: bench-b, profile: {profile}, complete: rename, sweep_s: 0.1}}
  - {{name: line-files, kind: folder, path: line, analyzer: bench-a, profile: brook, complete: rename, sweep_s: 0.1}}
  - {{name: undated, kind: folder, path: undated, analyzer: bench-c, profile: moss, complete: rename, sweep_s: 0.1}}
{sources}destinations:
  - {{name: records, kind: mllp, host: 127.0.0.1, port: {mllp}, processing_id: {mode}, retry: {{first_s: 0.1, longest_s: 0.5}}}}
  - {{name: chart, kind: fhir, base_url: "http://127.0.0.1:{fhir}/fhir", result_system: "urn:example:results", processing_id: T, retry: {{first_s: 0.1, longest_s: 0.5}}}}
"""


_passed: set[str] = set()


@contextlib.contextmanager
def asked_once() -> Iterator[None]:
    """Keep what the real child says of a plan for all bridges of this process, as a store keeps it: passes alone, by the plan's digest.

    A plan takes the child a second of the processor, and a bridge has half a dozen. test_morning.py starts the program as it is; that the child
    is asked, and what its answer does, tests/test_plan_book.py shows.
    """
    ask = plan_book.oracle_faults_in_child

    async def asked(book: PlanBook, destination: str, digests: frozenset[str]) -> dict[str, str]:
        new = digests - _passed
        answers = await ask(book, destination, new) if new else {}
        _passed.update(digest for digest, fault in answers.items() if not fault)
        return dict.fromkeys(digests - new, "") | answers

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan_book, "oracle_faults_in_child", asked)
        yield


class Running:
    """A running bridge. ``wait`` polls a claim until it holds; it fails the test after ``bound_s``."""

    def __init__(self, home: Path, bridge: Padpost, records: RecordSystem, port: int) -> None:
        self.home = home
        self.bridge = bridge
        self.store = bridge.store
        self.records = records
        self.url = f"http://127.0.0.1:{port}"
        self.port = port

    def drop(self, name: str, payload: bytes, folder: str = "drops") -> None:
        part = self.home / folder / f"{name}.part"
        part.write_bytes(payload)
        part.rename(part.with_suffix(""))

    def tern(self, *plays: Play) -> bytes:
        profile = self.bridge.tables.profiles["tern"]
        return framed(printed(plays, profile, self.bridge.tables), profile)

    def brook(self, play: Play) -> bytes:
        profile = self.bridge.tables.profiles["brook"]
        return framed(printed([play], profile, self.bridge.tables), profile)

    def wait(self, claim: Callable[[], Any], bound_s: float = 120.0) -> Any:
        until = time.monotonic() + bound_s
        while time.monotonic() < until:
            value = claim()
            if value:
                return value
            time.sleep(0.02)
        raise AssertionError("what was waited for did not come")


def play(number: int, patient_id: str, **more: Any) -> Play:
    """Give one routine strip of today, read a few minutes ago."""
    at = clock.now().astimezone(ZoneInfo("Europe/Lisbon")) - timedelta(minutes=3)
    return Play(**{"number": number, "at": at, "patient_id": patient_id, "word": "Rotina", "strip_type": "plover-12", **more})


@contextlib.contextmanager
def running(
    home: Path,
    *,
    turned_away: frozenset[str] = frozenset(),
    profile: str = "tern",
    mode: str = "T",
    more: str = "",
    sources: str = "",
) -> Iterator[Running]:
    """Run a bridge in a thread of its own until the test is over.

    ``home`` may hold the store of an earlier run; ``profile`` is the one of drops/; ``mode`` is the processing ID of records: P is live.
    ``more`` are further destinations or parts of the site, ``sources`` further lines of the site's sources, in YAML.
    """
    port = free_port()
    for name in ("drops", "line", "undated"):
        (home / name).mkdir(exist_ok=True)
    started = threading.Event()
    found: list[Any] = []

    async def live() -> None:
        records = RecordSystem(turned_away=turned_away)
        stop = asyncio.Event()
        try:
            await records.start()
            (home / "site.yaml").write_text(
                SITE.format(
                    port=port, mllp=records.mllp_port, fhir=records.fhir_port, profile=profile, mode=mode, sources=sources
                )
                + more,
                encoding="utf-8",
            )
            bridge = await assemble(settings.read_settings(home / "site.yaml"))
            found.extend([Running(home, bridge, records, port), asyncio.get_running_loop(), stop])
        finally:
            started.set()
        try:
            await run_until(bridge, stop)
        finally:
            await bridge.close()
            await records.stop()

    with asked_once():
        thread = threading.Thread(target=lambda: asyncio.run(live()), daemon=True)
        thread.start()
        started.wait(30)
        assert found, "the bridge did not start"
        subject, loop, stop = found
        subject.wait(lambda: _answers(port))
        try:
            yield subject
        finally:
            loop.call_soon_threadsafe(stop.set)
            thread.join(30)
            assert not thread.is_alive(), "the bridge did not stop"


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False
