"""Who may come to a port of ours, who is there, and who was turned away: in words for the log and for Today. No patient's data is in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address, ip_network

import structlog

log = structlog.get_logger()

# ours: who looks at Today in the morning's rush still sees it; an hour without one more, and it is over
SHOWN_FOR = timedelta(hours=1)
STRANGER = "it is not among the peers of this port"
CROWDED = "all places of this port are taken"


@dataclass(slots=True)
class _TurnedAway:
    """What was turned away for one reason: the last address, how often, and when last."""

    peer: str
    count: int
    last_at: datetime


class Peers:
    """The other sides of one port. ``networks`` are addresses or networks that may come; empty lets everybody in."""

    def __init__(self, source: str, networks: Sequence[str], *, now: Callable[[], datetime]) -> None:
        self._source = source
        self._networks = tuple(ip_network(each) for each in networks)
        self._now = now
        self._here: dict[object, str] = {}
        self._turned_away: dict[str, _TurnedAway] = {}

    def admits(self, address: str) -> bool:
        """Say whether ``address`` may come. One that cannot be told is let in only where everybody is."""
        if not self._networks:
            return True
        try:
            found = ip_address(address.partition("%")[0])  # RFC 4007: fe80::1%eth0
        except ValueError:
            return False
        if isinstance(found, IPv6Address) and found.ipv4_mapped is not None:  # RFC 4291 2.5.5.2: an IPv4 caller of an IPv6 port
            found = found.ipv4_mapped
        return any(found in network for network in self._networks)

    def turn_away(self, address: str, why: str) -> None:
        """Note that ``address`` was turned away; the log tells the first, the second, the fourth and so on, for a scan is thousands."""
        found = self._turned_away.get(why)
        if found is None or self._is_over(found):
            found = self._turned_away[why] = _TurnedAway(peer=address, count=0, last_at=self._now())
        found.peer, found.count, found.last_at = address, found.count + 1, self._now()
        if found.count & (found.count - 1) == 0:
            log.warning("line.turned_away", source=self._source, peer=address, why=why, times=found.count)

    def come(self, wire: object, words: str) -> None:
        """Note who is at the other end of ``wire``."""
        self._here[wire] = words

    def leave(self, wire: object) -> None:
        """Note that ``wire`` is gone."""
        self._here.pop(wire, None)

    def here(self) -> tuple[str, ...]:
        """Say who is connected, each once."""
        return tuple(dict.fromkeys(self._here.values()))

    def notes(self) -> tuple[str, ...]:
        """Say who was turned away in the last hour, and why."""
        return tuple(self._words())

    def _is_over(self, found: _TurnedAway) -> bool:
        return self._now() - found.last_at > SHOWN_FOR

    def _words(self) -> Iterator[str]:
        for why, found in self._turned_away.items():
            if not self._is_over(found):
                times = "" if found.count == 1 else f", and {found.count - 1} before it in a row"
                yield f"a connection from {found.peer} was turned away{times}: {why}"
