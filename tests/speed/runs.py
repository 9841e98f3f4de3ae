"""One pipeline carrying one batch of strips from the analyzers to the receiver: ours, and each peer. Every arrival is verified."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tests.speed.feeding import Analyzers
from tests.speed.receivers import Arrival, Receiver, verified
from tests.speed.site import Site
from tests.speed.strips import ANALYZERS, Strips

WARM_UP = 400  # strips before the clock starts: the first of every kind fill caches that a service fills once
PEERS = ("naive", "two", "one", "group")


class Pipeline(Protocol):
    """What carries strips: how to wait until all of it is written down."""

    @property
    def ports(self) -> list[int]:
        """Give the analyzers' ports."""

    def wait_settled(self) -> int:
        """Wait until what was delivered is marked so; give when that was (monotonic nanoseconds)."""


@dataclass(frozen=True, slots=True)
class Carried:
    """What one batch took, from the first byte to the last mark, and each strip's time from its last byte to the receiver's answer."""

    strips: int
    seconds: float
    latencies_s: tuple[float, ...] = ()

    @property
    def rate(self) -> float:
        """Give strips a second."""
        return self.strips / self.seconds


class Peer:
    """A peer in a process of its own: ``mode`` is naive, or the floor's two, one or group."""

    def __init__(self, home: Path, mode: str, receiver: Receiver) -> None:
        """Start it; it listens on one port for all analyzers."""
        program = ["tests.speed.peers.naive"] if mode == "naive" else ["tests.speed.peers.floor", "--mode", mode]
        self._process = subprocess.Popen(
            [sys.executable, "-m", *program, "--receiver", str(receiver.port), "--store", str(home / "peer.sqlite")],
            stdout=subprocess.PIPE,
        )
        assert self._process.stdout is not None
        self.ports = [int(self._process.stdout.readline())] * ANALYZERS

    def wait_settled(self) -> int:
        """Give 0: a peer's last mark comes before its end, and its end is waited for."""
        return 0

    def end(self) -> None:
        """Wait for its end. Raises AssertionError if it fails."""
        assert self._process.stdout is not None
        self._process.stdout.close()
        assert self._process.wait(60) == 0, "the peer failed"


@contextmanager
def peer(home: Path, mode: str, receiver: Receiver) -> Iterator[Peer]:
    """Run a peer; what it is fed in the block is all that it gets."""
    running = Peer(home, mode, receiver)
    try:
        yield running
        running.end()
    finally:
        if running._process.poll() is None:
            running._process.kill()
            running._process.wait()


@contextmanager
def site(home: Path, *, profile: str = "ember-stream", mllp: int = 0, fhir: int = 0) -> Iterator[Site]:
    """Run our service; ended whatever happens."""
    running = Site(home, profile=profile, mllp=mllp, fhir=fhir)
    try:
        running.start()
        yield running
        running.served.stop()
    finally:
        running.served.end()


def at_full_speed(pipeline: Pipeline, receiver: Receiver, analyzers: Analyzers, strips: Strips, numbers: range) -> Carried:
    """Feed everything at once on all connections; the batch is over when the last is answered and marked."""
    receiver.forget()
    began_ns = analyzers.feed(strips, numbers)
    receiver.wait_for(len(numbers))
    settled_ns = pipeline.wait_settled()
    arrivals = verified(receiver.arrivals(), set(numbers))
    return Carried(len(numbers), (max(settled_ns, arrivals[-1].at_ns) - began_ns) / 1e9)


def one_at_a_time(receiver: Receiver, analyzers: Analyzers, strips: Strips, numbers: range) -> Carried:
    """Feed each strip when the receiver has answered the one before."""
    receiver.forget()
    sent_ns: dict[int, int] = {}
    for count, number in enumerate(numbers, 1):
        sent_ns[number] = analyzers.put(number, strips.line(number))
        receiver.wait_for(count)
    arrivals = verified(receiver.arrivals(), set(numbers))
    return Carried(len(numbers), (arrivals[-1].at_ns - sent_ns[numbers[0]]) / 1e9, latencies(sent_ns, arrivals))


def latencies(sent_ns: dict[int, int], arrivals: list[Arrival]) -> tuple[float, ...]:
    """Give each strip's seconds from its last byte to the receiver's answer, in order of arrival."""
    return tuple((arrival.at_ns - sent_ns[arrival.strip]) / 1e9 for arrival in arrivals if arrival.strip in sent_ns)
