"""Who may come to a way in, and what is told of those who may not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.credentials.peers import CROWDED, STRANGER, Peers

AT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("address", "is_in"),
    [
        ("192.0.2.7", True),
        ("192.0.2.255", True),
        ("192.0.3.7", False),
        ("198.51.100.4", True),
        ("198.51.100.5", False),
        ("::ffff:192.0.2.7", True),  # RFC 4291 2.5.5.2: how an IPv6 port sees an IPv4 caller
        ("::ffff:192.0.3.7", False),
        ("2001:db8::9", True),
        ("2001:db9::9", False),
        ("fe80::1%eth0", True),
        ("", False),
        ("nowhere", False),
    ],
)
def test_networks(address: str, is_in: bool) -> None:
    """Addresses of RFC 5737 and RFC 3849, which are for examples; what cannot be told is not let in."""
    peers = Peers("bench", ["192.0.2.0/24", "198.51.100.4", "2001:db8::/32", "fe80::/64"], now=lambda: AT)
    assert peers.admits(address) is is_in


@pytest.mark.parametrize("address", ["192.0.2.7", "2001:db8::9", ""])
def test_without_a_list_everybody_comes(address: str) -> None:
    """As before there was one."""
    assert Peers("bench", [], now=lambda: AT).admits(address)


def test_a_scan_is_told_once_and_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """A port scan must bury neither the log nor Today; an hour later it is over."""
    now = [AT]
    peers = Peers("bench", ["192.0.2.0/24"], now=lambda: now[0])
    for last in range(100):
        peers.turn_away(f"203.0.113.{last}", STRANGER)
    peers.turn_away("192.0.2.9", CROWDED)
    assert peers.notes() == (
        "a connection from 203.0.113.99 was turned away, and 99 before it in a row: it is not among the peers of this port",
        "a connection from 192.0.2.9 was turned away: all places of this port are taken",
    )
    assert capsys.readouterr().out.count("line.turned_away") == 7 + 1  # the 1st, 2nd, 4th ... 64th
    now[0] += timedelta(hours=1, seconds=1)
    assert peers.notes() == ()
    peers.turn_away("203.0.113.5", STRANGER)
    assert peers.notes() == ("a connection from 203.0.113.5 was turned away: it is not among the peers of this port",)


def test_who_is_here() -> None:
    """Two wires of one instrument are one name; whoever left is not shown."""
    peers = Peers("bench", [], now=lambda: AT)
    for wire, words in ((1, "192.0.2.7"), (2, "bench-7 (192.0.2.8)"), (3, "192.0.2.7")):
        peers.come(wire, words)
    assert peers.here() == ("192.0.2.7", "bench-7 (192.0.2.8)")
    peers.leave(2)
    peers.leave(2)
    assert peers.here() == ("192.0.2.7",)
