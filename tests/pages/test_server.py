"""The pages' server under those who draw out or pile up: real sockets that drip, beside one that is answered meanwhile."""

from __future__ import annotations

import contextlib
import socket
import threading
import time

import pytest

from bridge.pages import server
from tests.pages.stocked import Stocked

HEAD = b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"


def dial(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=30)


def is_answered(port: int) -> bool:
    with dial(port) as wire:
        wire.sendall(HEAD % port)
        return wire.recv(4_096).startswith(b"HTTP/1.1 200 ")


def is_ended(wire: socket.socket) -> bool:
    try:
        return wire.recv(4_096) == b""
    except ConnectionError:
        return True


def drip(wire: socket.socket, said: bytes, *, every_s: float = 0.05) -> int:
    """Send byte after byte until all went or the other side has hung up; give how many went."""
    for count, byte in enumerate(said):
        try:
            wire.sendall(bytes([byte]))
        except OSError:
            return count
        time.sleep(every_s)
    return len(said)


def test_a_head_that_drips_is_ended_and_others_are_answered(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """However steadily the bytes drip: the whole head has one limit. A technician beside it waits for nothing."""
    monkeypatch.setattr(server, "HEAD_S", 0.5)
    with shelf.serving() as visitor, dial(visitor.port) as slow, dial(visitor.port) as mute:
        began = time.monotonic()
        assert is_answered(visitor.port)
        assert drip(slow, b"GET / HTTP/1.1\r\nX: " + b"x" * 400) < 100
        assert is_ended(slow)
        assert is_ended(mute)
        assert time.monotonic() - began > 0.5


def test_the_second_head_on_a_connection_has_the_same_limit(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """One good request must not buy a place for ever."""
    monkeypatch.setattr(server, "HEAD_S", 0.5)
    with shelf.serving() as visitor, dial(visitor.port) as wire:
        wire.sendall(HEAD % visitor.port)
        answer = b""
        while not answer.endswith(b"}"):
            answer += wire.recv(4_096)
        assert drip(wire, b"GET / HTTP/1.1\r\nX: " + b"x" * 400) < 100
        assert is_ended(wire)


def test_a_body_that_drips_is_told_and_ended(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """A form that never ends is answered 408, as RFC 9110 15.5.9 has it."""
    monkeypatch.setattr("bridge.pages.guard.BODY_S", 0.5)
    with shelf.serving() as visitor, dial(visitor.port) as wire:
        wire.sendall(
            b"POST /api/stops/1/release HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nX-Padpost: 1\r\nContent-Length: 60000\r\n\r\n"
            % visitor.port
        )
        threading.Thread(target=drip, args=(wire, b"x" * 400), daemon=True).start()
        assert wire.recv(65_536).startswith(b"HTTP/1.1 408 ")
        assert is_answered(visitor.port)


def test_a_head_that_is_too_long_is_refused(shelf: Stocked) -> None:
    """Memory has a bound before anything is known of who sends."""
    with shelf.serving() as visitor, dial(visitor.port) as wire:
        with contextlib.suppress(ConnectionError):
            wire.sendall(b"GET / HTTP/1.1\r\nX: " + b"x" * 200_000)
        with contextlib.suppress(ConnectionError):
            assert wire.recv(4_096).startswith(b"HTTP/1.1 4")
        assert is_answered(visitor.port)


def test_too_many_connections(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """One more than there are places is hung up on; when one leaves, its place is free."""
    monkeypatch.setattr(server, "MOST_CONNECTIONS", 3)
    with shelf.serving() as visitor:
        with contextlib.ExitStack() as held:
            for _ in range(3):
                wire = held.enter_context(dial(visitor.port))
                wire.sendall(HEAD % visitor.port)
                assert wire.recv(4_096).startswith(b"HTTP/1.1 200 ")
            assert is_ended(held.enter_context(dial(visitor.port)))
        until = time.monotonic() + 30
        while not _answers(visitor.port) and time.monotonic() < until:
            time.sleep(0.02)
        assert is_answered(visitor.port)


def _answers(port: int) -> bool:
    try:
        return is_answered(port)
    except ConnectionError:
        return False


def test_a_proxy_on_this_machine_is_not_one_peer(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever comes through it comes from this machine's address: the limit of one peer would shut out a ward."""
    monkeypatch.setattr(server, "MOST_OF_ONE", 1)
    with shelf.serving() as visitor, dial(visitor.port), dial(visitor.port):
        assert is_answered(visitor.port)
