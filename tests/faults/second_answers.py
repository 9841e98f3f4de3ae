"""The second answers of a receiver in enhanced mode: late, on either connection, twice, and said again until somebody keeps them.

HL7 2.5.1 section 2.9.3: CA says that a message is kept, AA later what became of it. Here the answer that counts goes over a connection of
the receiver's own, until the service acknowledges it; the same answer may have come before on the message's connection.
"""

from __future__ import annotations

import random
import re
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from tests.faults.journal import Journal
from tests.peers.mllp_receiver import Reply

AGAIN_S = 0.1  # nobody took it: said again this much later
REPLY_S = 2.0  # the service has so long to say that it keeps an answer
LATEST_S = 0.5  # an answer comes at most this long after its message, unless the receiver keeps silent
LATER = "AE 207"  # HL7 table 0357: an error within the application; the site's settings take it for "later, please"


@dataclass(frozen=True, kw_only=True)
class _Due:
    control_id: str
    is_yes: bool
    at_s: float


class SecondAnswers:
    """Answers every message that was kept, in its order. ``addresses`` are where somebody listens for it; ``close`` ends it.

    While ``silent`` is set nothing is said at all.
    """

    def __init__(self, journal: Journal, chance: random.Random) -> None:
        self.silent = threading.Event()
        self.addresses: Sequence[tuple[str, int]] = ()
        self._journal = journal
        self._chance = chance
        self._waiting = deque(_Due(control_id=number, is_yes=is_yes, at_s=0.0) for number, is_yes in journal.unanswered)
        self._held: list[threading.Event] = []
        self._over = threading.Event()
        self._turn = 0
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """Give how many answers are not said yet, or not known to have arrived."""
        return len(self._waiting)

    def commit(self, control_id: str, *, is_yes: bool) -> Reply:
        """Give the first answer, CA, and perhaps the second one on the same connection; it comes by the other one in any case."""
        wait_s = self._chance.uniform(0, LATEST_S)
        self._waiting.append(_Due(control_id=control_id, is_yes=is_yes, at_s=time.monotonic() + wait_s))
        way = self._chance.choice(("together", "later", "twice", "apart"))
        if self.silent.is_set() or not is_yes or way == "apart":
            return Reply(code="CA")
        if way == "together":
            return Reply(code="CA", then=(Reply(code="AA"),), together=True)
        held = threading.Event()
        self._held.append(held)
        timer = threading.Timer(wait_s / 2, held.set)
        timer.daemon = True
        timer.start()
        return Reply(code="CA", then=(Reply(code="AA", held=held, times=2 if way == "twice" else 1),))

    def close(self) -> None:
        """Say nothing more; what was not said is said by the next one over the same journal."""
        self._over.set()
        for held in self._held:
            held.set()
        self._thread.join(10)

    def _run(self) -> None:
        while not self._over.wait(0.01):
            if self.addresses and not self.silent.is_set() and self._waiting and self._waiting[0].at_s <= time.monotonic():
                with suppress(OSError):
                    self._say_some(self.addresses[self._turn % len(self.addresses)])
                self._turn += 1
                self._over.wait(AGAIN_S)

    def _say_some(self, address: tuple[str, int]) -> None:
        """Say what is due over one connection, each answer until it is acknowledged. Raises OSError where the connection ends."""
        with socket.create_connection(address, timeout=REPLY_S) as talk:
            talk.settimeout(REPLY_S)
            while self._waiting and not self._over.is_set() and not self.silent.is_set():
                due = self._waiting[0]
                if self._over.wait(max(0.0, due.at_s - time.monotonic())):
                    return
                talk.sendall(answer(due.control_id, is_yes=due.is_yes))
                if not _is_kept(talk):
                    return
                self._journal.answered(due.control_id)
                self._waiting.popleft()


def answer(control_id: str, *, is_yes: bool) -> bytes:
    """Give a framed application answer that wants to be acknowledged itself (MSH-15 AL)."""
    header = f"MSH|^~\\&|RECORD|WARD|PADPOST|BENCH|20261126070000||ACK^R01^ACK|A{control_id}|T|2.5.1|||AL|NE\r"
    said = f"MSA|AA|{control_id}\r" if is_yes else f"MSA|AE|{control_id}\rERR||PID^1^3|207^^HL70357|E\r"
    return b"\x0b" + (header + said).encode() + b"\x1c\r"


def _is_kept(talk: socket.socket) -> bool:
    heard = b""
    while not heard.endswith(b"\x1c\r"):
        some = talk.recv(4_096)
        if not some:
            return False
        heard += some
    return re.search(rb"\rMSA\|CA\|", heard) is not None
