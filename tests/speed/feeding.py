"""The analyzers of the benchmarks: one TCP connection each, fed as fast as the other side takes it, or one strip at a time."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from types import TracebackType
from typing import Self

from tests.receive.independent_sender import frame
from tests.speed.strips import ANALYZERS, Strips

BOUND_S = 600.0  # a service that takes nothing for so long has failed


class Analyzers:
    """``ANALYZERS`` connections, the n-th to ``ports[n]``. Use as a context manager."""

    def __init__(self, ports: Sequence[int]) -> None:
        """Call every port."""
        self._talks = [socket.create_connection(("127.0.0.1", port), timeout=BOUND_S) for port in ports]
        for talk in self._talks:
            talk.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        for talk in self._talks:
            talk.close()

    def put(self, number: int, line: bytes) -> int:
        """Send one strip on its analyzer's connection; give when its last byte was handed over (monotonic nanoseconds)."""
        self._talks[number % ANALYZERS].sendall(line)
        return time.monotonic_ns()

    def feed(self, strips: Strips, numbers: Iterable[int]) -> int:
        """Send many, on all connections at once, and wait until they are handed over; give when the first went (monotonic nanoseconds)."""
        texts = _by_analyzer({number: strips.line(number) for number in numbers})
        senders = [
            threading.Thread(target=talk.sendall, args=(b"".join(text),)) for talk, text in zip(self._talks, texts, strict=True)
        ]
        began = time.monotonic_ns()
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
        return began

    def talk(self, strips: Strips, numbers: Iterable[int]) -> int:
        """Send many by LIS01 on all connections at once: one session a strip, one record a frame. Give when the first went."""
        sessions = _by_analyzer({number: _framed(strips.records(number)) for number in numbers})
        faults: list[BaseException] = []
        senders = [
            threading.Thread(target=_play, args=(talk, session, faults))
            for talk, session in zip(self._talks, sessions, strict=True)
        ]
        began = time.monotonic_ns()
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
        if faults:
            raise faults[0]
        return began


def _by_analyzer(texts: Mapping[int, bytes] | Mapping[int, list[bytes]]) -> list[list[bytes]]:
    found: list[list[bytes]] = [[] for _ in range(ANALYZERS)]
    for number, text in texts.items():
        found[number % ANALYZERS].extend([text] if isinstance(text, bytes) else [b"\x05", *text, b"\x04"])
    return found


def _framed(records: list[bytes]) -> list[bytes]:
    return [frame(place, record) for place, record in enumerate(records, 1)]


def _play(talk: socket.socket, pieces: list[bytes], faults: list[BaseException]) -> None:
    """Send ENQ and frames, each after the ACK of the one before; EOT has no answer."""
    try:
        for piece in pieces:
            talk.sendall(piece)
            if piece != b"\x04":
                answer = talk.recv(1)
                assert answer == b"\x06", f"answered {answer!r}"
    except BaseException as fault:
        faults.append(fault)
