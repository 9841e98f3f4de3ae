"""What both peers share: the pads and their codes, the strips as they come over TCP, and one MLLP exchange.

Origin: strip_common.py of the peers that were given with the task. Changed: the strips come over eight TCP connections, one line each,
from the same feeder that feeds Padpost; the receiver is the benchmarks' own (tests/speed/receivers.py).
"""

from __future__ import annotations

import selectors
import socket
import sys
from collections import deque
from collections.abc import Iterator

from tests.speed.strips import COLUMNS

# label, LOINC code, name, UCUM unit, HL7 value type
PADS = (
    ("pH", "5803-2", "pH", "[pH]", "NM"),
    ("SG", "5811-5", "Specific gravity", "", "NM"),
    ("PRO", "20454-5", "Protein", "", "ST"),
    ("GLU", "25428-4", "Glucose", "", "ST"),
    ("KET", "2514-8", "Ketones", "", "ST"),
    ("BIL", "5770-3", "Bilirubin", "", "ST"),
    ("URO", "19161-9", "Urobilinogen", "{Ehrlich'U}/dL", "NM"),
    ("BLD", "5794-3", "Blood", "", "ST"),
    ("NIT", "5802-4", "Nitrite", "", "ST"),
    ("LEU", "5799-2", "Leukocyte esterase", "", "ST"),
    ("COL", "5778-6", "Color", "", "ST"),
    ("CLA", "5767-9", "Appearance", "", "ST"),
)
ABNORMAL = frozenset(("Trace", "1+", "2+", "3+", "Positive"))
NAMES = (*COLUMNS, *(pad[0] for pad in PADS))
Strip = dict[str, str]


class Intake:
    """The strips of ``connections`` analyzers, one line each, until the last of them hangs up."""

    def __init__(self, connections: int) -> None:
        """Listen; the port goes to standard output, for the benchmark."""
        self._left = connections
        self._selector = selectors.DefaultSelector()
        self._lines: deque[bytes] = deque()
        self._rest: dict[int, bytes] = {}
        listener = socket.create_server(("127.0.0.1", 0), backlog=connections)
        self._selector.register(listener, selectors.EVENT_READ)
        self._listener = listener
        sys.stdout.write(f"{listener.getsockname()[1]}\n")
        sys.stdout.flush()

    def chunks(self, most: int) -> Iterator[list[Strip]]:
        """Give what has come, up to ``most`` strips at a time, in the order of each connection; wait only where nothing has."""
        while self._lines or self._left:
            while self._left and len(self._lines) < most and self._take(wait=not self._lines):
                pass
            if self._lines:
                chunk = [self._lines.popleft() for _ in range(min(most, len(self._lines)))]
                yield [dict(zip(NAMES, line.decode().split(","), strict=True)) for line in chunk]
        self._listener.close()
        self._selector.close()

    def _take(self, *, wait: bool) -> bool:
        """Take in what the connections have; say whether there was anything."""
        ready = self._selector.select(None if wait else 0)
        for key, _ in ready:
            talk = key.fileobj
            assert isinstance(talk, socket.socket)
            if talk is self._listener:
                self._selector.register(talk.accept()[0], selectors.EVENT_READ)
                continue
            some = talk.recv(65_536)
            if not some:
                self._selector.unregister(talk)
                talk.close()
                self._left -= 1
                continue
            *whole, rest = (self._rest.get(talk.fileno(), b"") + some).split(b"\r\n")
            self._lines.extend(whole)
            self._rest[talk.fileno()] = rest
        return bool(ready)


def connected(port: int) -> socket.socket:
    """Give a connection to the receiver."""
    talk = socket.create_connection(("127.0.0.1", port))
    talk.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return talk


def exchange(talk: socket.socket, message: str) -> bytes:
    """Send one message in its MLLP frame; give the framed answer."""
    talk.sendall(b"\x0b" + message.encode() + b"\x1c\r")
    answer = talk.recv(4096)
    while not answer.endswith(b"\x1c\r"):
        answer += talk.recv(4096)
    return answer


def control_id(strip: Strip) -> str:
    """Give a message's MSH-10."""
    return "M" + strip["specimen"]
