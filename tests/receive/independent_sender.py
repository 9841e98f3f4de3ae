"""A LIS01 sender for the tests, written apart from the product's code.

Its rules are those of our reference notes on LIS01-A2 (E1381), section 7: ENQ, frames STX FN text ETB|ETX C1 C2 CR LF,
FN from 1 and 7 is followed by 0, checksum = sum of FN to ETB/ETX modulo 256 as two upper-case hex digits.
It imports nothing of bridge. It drives one end of a real pty or socket by its file descriptor.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Sequence

RECORDS = (
    b"H|\\^&|||BROOK-1|||||||P|LIS2-A2|20261125073000\r",
    b"P|1||T0042\r",
    b"R|1|^^^LEU|neg\r",
    b"L|1|N\r",
)


def checksum(body: bytes) -> bytes:
    total = 0
    for byte in body:
        total = (total + byte) % 256
    return format(total, "02X").encode("ascii")


def frame(number: int, text: bytes, *, end: bytes = b"\x03", wrong_checksum: bool = False) -> bytes:
    body = str(number % 8).encode("ascii") + text + end
    digits = checksum(body)
    if wrong_checksum:
        digits = format((int(digits, 16) + 1) % 256, "02X").encode("ascii")
    return b"\x02" + body + digits + b"\r\n"


def message(records: Sequence[bytes] = RECORDS) -> bytes:
    """Give a whole message's bytes without its ENQ, one record a frame."""
    return b"".join(frame(number, record) for number, record in enumerate(records, start=1))


class IndependentSender:
    """Blocking: run it in a thread of its own. ``answers`` is everything the receiver ever said."""

    def __init__(self, fd: int, *, patience_s: float = 10.0) -> None:
        self._fd = fd
        self._patience_s = patience_s
        self.answers = bytearray()

    def put(self, some: bytes) -> None:
        """Write every byte; the descriptor may be non-blocking."""
        while some:
            select.select([], [self._fd], [], self._patience_s)
            some = some[os.write(self._fd, some) :]

    def answer(self, *, within_s: float | None = None) -> bytes:
        """One byte of the receiver's, or b"" when it said nothing in time."""
        until = time.monotonic() + (self._patience_s if within_s is None else within_s)
        while (left := until - time.monotonic()) > 0:
            ready, _, _ = select.select([self._fd], [], [], left)
            if ready:
                byte = os.read(self._fd, 1)
                self.answers += byte
                return byte
        return b""

    def ask(self) -> bytes:
        """Send ENQ; give the answer."""
        self.put(b"\x05")
        return self.answer()

    def give(self, some: bytes) -> bytes:
        """Send one frame's bytes; give the answer."""
        self.put(some)
        return self.answer()

    def send(self, records: Sequence[bytes] = RECORDS, *, tries: int = 6) -> bool:
        """Play a whole session as the rules have it: ENQ, each frame up to six times, EOT. True if all were acknowledged."""
        if self.ask() != b"\x06":
            return False
        for number, record in enumerate(records, start=1):
            if not any(self.give(frame(number, record)) == b"\x06" for _ in range(tries)):
                self.put(b"\x04")
                return False
        self.put(b"\x04")
        return True
