"""What the pages must be told of the site; app.py fills it in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Protocol
from zoneinfo import ZoneInfo

from bridge.desk.actions import Desk
from bridge.desk.additions import AdditionDesk
from bridge.desk.corrections import CorrectionDesk
from bridge.desk.entries import EntryDesk
from bridge.desk.foresight import Foresees
from bridge.desk.gates import GateDesk
from bridge.model import Actor
from bridge.pages.door import Door
from bridge.pages.language import ENGLISH, Language
from bridge.signals.kinds import Kind
from bridge.signals.machine import Signal
from bridge.tables.types import DestinationTerms, NumberScheme, Tables


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """What strips are tried with: the tables in force, the site's destinations, and by profile the processing ID that is expected (else P)."""

    tables: Tables
    terms: Sequence[DestinationTerms]
    expects: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Desks:
    """Everything that a person does: on what is stopped, on controls, on results that were sent, what is entered by hand, and what is added."""

    stops: Desk
    gates: GateDesk
    corrections: CorrectionDesk
    entries: EntryDesk
    additions: AdditionDesk


@dataclass(frozen=True, kw_only=True, slots=True)
class WayIn:
    """A way in that others come to over the network: who is connected now, and what to look at.

    ``here`` is None where nobody stays connected: a source that is posted to.
    """

    source: str
    here: tuple[str, ...] | None
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownWay:
    """A way by which signals are told: its name, the mail server or the web hook's host, and to how many addresses it mails (0: it is a web hook).

    ``kinds``: which it hears of; none: every kind. ``quiet_from`` to ``quiet_to``: when it is spared, HH:MM by the site's clock; "": never.
    """

    name: str
    host: str
    addresses: int = 0
    kinds: tuple[Kind, ...] = ()
    quiet_from: str = ""
    quiet_to: str = ""


class SaysTest(Protocol):
    """Says a test by every way."""

    async def __call__(self, actor: Actor, /) -> tuple[tuple[str, str], ...]:
        """Give for each way its name, and "" or why it did not go."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownDigest:
    """The digest of a shift: its times by the site's clock, the names of its ways, what it would say now, and a test of it."""

    times: tuple[time, ...]
    ways: tuple[str, ...]
    now: Callable[[], str]
    test: SaysTest

    @property
    def hours(self) -> str:
        """Give its times as a line."""
        return ", ".join(f"{each:%H:%M}" for each in self.times)


async def _no_ways(_: Actor) -> tuple[tuple[str, str], ...]:
    return ()


class TriesReceiver(Protocol):
    """Tries whether a receiver can be reached."""

    async def __call__(self, destination: str, /) -> tuple[bool, str]:
        """Give whether it can, and in words how or why not."""


async def _untried(destination: str) -> tuple[bool, str]:
    return False, f"{destination} is not reached from here."


def _no_wake() -> None:
    return None


def _no_signals() -> tuple[Signal, ...]:
    return ()


def _no_ways_in() -> tuple[WayIn, ...]:
    return ()


def _nothing_missing() -> tuple[str, ...]:
    return ()


def _nothing() -> str:
    return ""


def _none_shut() -> Mapping[str, str]:
    return {}


def _no_tries() -> Mapping[str, datetime]:
    return {}


def _no_notes() -> Mapping[str, tuple[str, ...]]:
    return {}


@dataclass(frozen=True, kw_only=True, slots=True)
class PagesSite:
    """Who we are, where we may be called, and what the service says of itself.

    ``port`` is the port of our own socket: loopback names must carry it. ``host_names`` are further names to
    answer to, ``name`` (with any port) or ``name:port``. ``secret`` is random bytes, at least 32, new for every
    process: it signs forms. ``not_ready`` gives a reason in words for each thing that keeps the service from
    working; ``next_tries`` gives when a receiver that gives no answer is tried next, as far as this process sends to it;
    ``shut`` gives the reason for each destination that Padpost itself sends nothing to. ``notes`` gives
    for each destination what its people should look at, though it works, and ``ways_in`` the like for each source that is a port or a key. ``refusing`` says why no strip is taken in while all else
    goes on, ``notice`` what will come to that; both "" while all is well. ``send_again`` gives, by analyzer, the steps that make it send a strip from its memory again.
    ``schemes`` says, by analyzer, how it numbers its strips: for missing numbers and the day tally.
    ``ways`` are those by which signals are told, ``way_notes`` says what to look at on each, ``test_ways`` says a test by each; ``digest`` is that of a shift, None where the site has none; ``own_signals`` are those that this process tells of itself.
    ``receiver_kinds`` says by destination in words what it is, ``certificates`` until when each certificate for it is valid; ``test_receiver`` tries one.
    ``wake`` lets the loops look at what a person did.
    ``doors`` are the paths where analyzers' programs post with a key of their own (POST): their handlers check it before they read a body.
    ``bench`` is what the page Try out tries strips with. ``foresees`` says what an act on something stopped would do; None: nobody here can tell. ``largest_body`` is in bytes.
    ``door`` is how people sign in; None where the site has no accounts and names are as typed.
    ``languages`` are those that pages can speak, ``language`` the tag of the one that the site set; "": what a browser asks for.
    """

    name: str
    zone: ZoneInfo
    port: int
    secret: bytes
    bench: Bench
    host_names: tuple[str, ...] = ()
    destinations: tuple[str, ...] = ()
    not_ready: Callable[[], tuple[str, ...]] = _nothing_missing
    shut: Callable[[], Mapping[str, str]] = _none_shut
    next_tries: Callable[[], Mapping[str, datetime]] = _no_tries
    notes: Callable[[], Mapping[str, tuple[str, ...]]] = _no_notes
    ways_in: Callable[[], tuple[WayIn, ...]] = _no_ways_in
    refusing: Callable[[], str] = _nothing
    notice: Callable[[], str] = _nothing
    send_again: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    schemes: Mapping[str, NumberScheme] = field(default_factory=dict)
    ways: tuple[ShownWay, ...] = ()
    way_notes: Callable[[], Mapping[str, tuple[str, ...]]] = _no_notes
    test_ways: SaysTest = _no_ways
    digest: ShownDigest | None = None
    own_signals: Callable[[], tuple[Signal, ...]] = _no_signals
    receiver_kinds: Mapping[str, str] = field(default_factory=dict)
    certificates: Callable[[], Mapping[str, tuple[str, ...]]] = _no_notes
    test_receiver: TriesReceiver = _untried
    wake: Callable[[], None] = _no_wake
    doors: frozenset[str] = frozenset()
    foresees: Foresees | None = None
    door: Door | None = None
    languages: tuple[Language, ...] = (ENGLISH,)
    language: str = ""
    largest_body: int = 65_536  # ours: the longest form holds a few hundred characters
