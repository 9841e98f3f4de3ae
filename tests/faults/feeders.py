"""Who brings strips: analyzers on a line, a socket or MLLP, computers that drop files or post. Each in a thread, until it is cut off.

They behave as the real ones: a strip whose acknowledgement did not come is sent again, the same bytes, before the next.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import select
import socket
import threading
import time
import tty
from abc import abstractmethod
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tests.faults.disk import sync_folder
from tests.faults.journal import Journal
from tests.faults.strips import Batch
from tests.receive.independent_sender import IndependentSender, frame

ACK, NAK, EOT = b"\x06", b"\x15", b"\x04"
LOOK_S = 0.02  # how often a feeder looks whether it is cut off
ENQ_S = 1.0  # an ENQ may meet a port that nobody has opened yet: asked again soon
ANSWER_S = 15.0  # LIS01-A2: a sender waits this long for the answer to a frame
REPLY_S = 5.0  # an instrument or a computer waits this long for an answer, then calls again
CALLED_S = 0.5  # an analyzer that waits to be called looks this often whether it is cut off
KEY = "post-key-of-the-fault-tests"  # what the posts of a campaign carry
CUT_S = 20.0  # an error of the wire or the disk must be followed by the cut that explains it
Open = Callable[[], "contextlib.AbstractContextManager[int]"]
Happened = Callable[[str], bool]  # takes what happened; True if the service was struck at it


class Pty:
    """A real pty: ``analyzer`` is the analyzer's end as a descriptor, ``port`` the service's as a path. Both ends raw."""

    def __init__(self) -> None:
        self.analyzer, self._service = os.openpty()
        tty.setraw(self.analyzer)
        tty.setraw(self._service)
        self.port = os.ttyname(self._service)

    @contextlib.contextmanager
    def open(self) -> Iterator[int]:
        """Give the analyzer's end: the cable stays plugged, whoever died at the other end."""
        yield self.analyzer

    def close(self) -> None:
        """Close both ends."""
        os.close(self.analyzer)
        os.close(self._service)


def caller(port: int) -> Open:
    """Give how an analyzer calls the service's TCP port."""

    @contextlib.contextmanager
    def call() -> Iterator[int]:
        with socket.create_connection(("127.0.0.1", port), timeout=CUT_S) as talk:
            yield talk.fileno()

    return call


def are_feeding(feeders: Sequence[threading.Thread]) -> Callable[[], bool]:
    """Give what says whether one of the feeders still has something to bring."""
    return lambda: any(feeder.is_alive() for feeder in feeders)


class Called:
    """An analyzer that waits to be called, at one port of each of ``hosts``. A new caller takes the place of an older one."""

    def __init__(self, hosts: Sequence[str]) -> None:
        self._changed = threading.Condition()
        self._next: socket.socket | None = None
        self._now: socket.socket | None = None
        self._doors = [socket.create_server((hosts[0], 0))]
        self.port = int(self._doors[0].getsockname()[1])
        self._doors += [socket.create_server((host, self.port)) for host in hosts[1:]]
        for door in self._doors:
            threading.Thread(target=self._accept, args=(door,), daemon=True).start()

    def _accept(self, door: socket.socket) -> None:
        with contextlib.suppress(OSError):  # the door was closed
            while True:
                caller, _ = door.accept()
                with self._changed:
                    if self._next is not None:
                        self._next.close()
                    self._next = caller
                    if self._now is not None:
                        with contextlib.suppress(OSError):
                            self._now.shutdown(socket.SHUT_RDWR)
                    self._changed.notify_all()

    @contextlib.contextmanager
    def open(self) -> Iterator[int]:
        """Give the newest caller's connection. Raises TimeoutError if nobody calls for a while."""
        with self._changed:
            self._changed.wait_for(lambda: self._next is not None, CALLED_S)
            if self._next is None:
                raise TimeoutError("nobody calls")
            self._now, self._next = self._next, None
            talk = self._now
        try:
            yield talk.fileno()
        finally:
            with self._changed:
                self._now = None
                talk.close()

    def close(self) -> None:
        """Be there no more."""
        for door in self._doors:
            door.shutdown(socket.SHUT_RDWR)  # wakes the one who waits in accept
            door.close()
        with self._changed:
            for talk in (self._next, self._now):
                if talk is not None:
                    talk.close()


class Feeder(threading.Thread):
    """Brings ``batches`` in order until all are acknowledged or ``cut`` is set. ``join`` raises what went wrong in it."""

    def __init__(self, batches: Sequence[Batch], journal: Journal, cut: threading.Event, happened: Happened) -> None:
        super().__init__(daemon=True)
        self._batches = batches
        self._journal = journal
        self._cut = cut
        self._happened = happened
        self._fault: BaseException | None = None

    def run(self) -> None:
        """Bring them; what goes wrong is kept for ``join``."""
        try:
            self._feed()
        except BaseException as fault:
            self._fault = fault

    def join(self, timeout: float | None = None) -> None:
        """Wait for its end. Raises what it raised, or AssertionError if it does not end."""
        super().join(timeout if timeout is not None else 2 * CUT_S)
        if self._fault is not None:
            raise self._fault
        assert not self.is_alive(), "the feeder did not end"

    @abstractmethod
    def _feed(self) -> None: ...

    def _submit(self, batch: Batch) -> None:
        for strip in batch.strips:
            self._journal.submitted(strip)

    def _acknowledge(self, batch: Batch) -> None:
        for strip in batch.strips:
            self._journal.acknowledged(strip)


class Line(Feeder):
    """An analyzer that speaks LIS01 over whatever ``open_line`` gives. Reports "last frame" once that is on the wire."""

    def __init__(
        self, open_line: Open, batches: Sequence[Batch], journal: Journal, cut: threading.Event, happened: Happened
    ) -> None:
        super().__init__(batches, journal, cut, happened)
        self._open_line = open_line

    def _feed(self) -> None:
        left = list(self._batches)
        while left and not self._cut.is_set():
            with contextlib.suppress(OSError), self._open_line() as descriptor:  # refused or reset: called again
                analyzer = _Analyzer(descriptor, self._cut, self._happened)
                while left and not self._cut.is_set():
                    self._submit(left[0])
                    if analyzer.offer(left[0].records):
                        self._acknowledge(left.pop(0))
                    elif analyzer.is_gone:
                        break
            self._cut.wait(LOOK_S)


class _Analyzer(IndependentSender):
    def __init__(self, descriptor: int, cut: threading.Event, happened: Happened) -> None:
        super().__init__(descriptor, patience_s=ANSWER_S)
        self.is_gone = False
        self._cut = cut
        self._happened = happened

    def offer(self, records: Sequence[bytes]) -> bool:
        """Play one session; True once the last frame is acknowledged."""
        self._hush()
        self.put(b"\x05")
        is_taken = self.answer(within_s=ENQ_S) == ACK
        for number, record in enumerate(records, start=1):
            is_taken = is_taken and self._push(frame(number, record), is_last=number == len(records))
        with contextlib.suppress(OSError):  # the answer came, whatever becomes of the wire
            self.put(EOT)
        return is_taken

    def answer(self, *, within_s: float | None = None) -> bytes:
        """Wait for one byte; once cut off, what has come already still counts."""
        until = time.monotonic() + (self._patience_s if within_s is None else within_s)
        while not self.is_gone:
            was_cut, is_over = self._cut.is_set(), time.monotonic() >= until
            if select.select([self._fd], [], [], LOOK_S)[0]:
                byte = os.read(self._fd, 1)
                self.is_gone = not byte
                return byte
            if was_cut or is_over:
                return b""
        return b""

    def _push(self, some: bytes, *, is_last: bool) -> bool:
        """Send one frame, up to six times while the answer is NAK."""
        for _ in range(6):
            self.put(some)
            if is_last and self._happened("last frame"):
                return False  # whatever it answered is lost with the line
            said = self.answer()
            if said != NAK:
                return said == ACK
        return False

    def _hush(self) -> None:
        """Drop what an earlier session left unread."""
        while select.select([self._fd], [], [], 0)[0]:
            if not os.read(self._fd, 4096):
                self.is_gone = True
                return


class Dropper(Feeder):
    """A computer that drops files into ``folder`` under their own names, durably, and looks for them in done/."""

    def __init__(
        self, folder: Path, batches: Sequence[Batch], journal: Journal, cut: threading.Event, happened: Happened
    ) -> None:
        super().__init__(batches, journal, cut, happened)
        self._folder = folder

    def _feed(self) -> None:
        try:
            for batch in self._batches:
                self._drop(batch)
                self.look()
                if self._cut.wait(LOOK_S):
                    return
            while not self._cut.wait(LOOK_S) and self.look():
                pass
        except OSError:  # the power went in the middle of it
            if not self._cut.wait(CUT_S):
                raise

    def look(self) -> bool:
        """Acknowledge what lies in done/; say whether any file is still to come there."""
        waiting = [batch for batch in self._batches if not all(map(self._journal.is_acknowledged, batch.strips))]
        for batch in waiting:
            if (self._folder / "done" / batch.name).exists():
                self._acknowledge(batch)
        return bool(waiting)

    def _drop(self, batch: Batch) -> None:
        target = self._folder / batch.name
        if target.exists() or (self._folder / "done" / batch.name).exists():
            return
        self._submit(batch)
        part = target.with_suffix(".part")
        with part.open("wb") as file:
            file.write(batch.text)
            file.flush()
            os.fsync(file.fileno())
        part.rename(target)
        sync_folder(self._folder)
        self._happened("file")


class Caller(Feeder):
    """Somebody who calls one of several addresses, and the next one where that does not take a batch. ``offer`` sends one batch once."""

    def __init__(
        self, addresses: Sequence[tuple[str, int]], batches: Sequence[Batch], journal: Journal, cut: threading.Event
    ) -> None:
        super().__init__(batches, journal, cut, lambda _: False)
        self._addresses = addresses

    def _feed(self) -> None:
        left, turn = list(self._batches), 0
        while left and not self._cut.is_set():
            self._submit(left[0])
            is_taken = False
            with contextlib.suppress(OSError, http.client.HTTPException):  # nobody there, or gone without an answer
                is_taken = self.offer(left[0], self._addresses[turn % len(self._addresses)])
            if is_taken:
                self._acknowledge(left.pop(0))
            else:
                turn += 1
                self._cut.wait(LOOK_S)

    @abstractmethod
    def offer(self, batch: Batch, address: tuple[str, int]) -> bool:
        """Send it; say whether it was acknowledged. Raises OSError or HTTPException where no answer came."""


class Instrument(Caller):
    """An analyzer that speaks HL7 v2 over MLLP: the same message, byte for byte, until it is answered AA."""

    def offer(self, batch: Batch, address: tuple[str, int]) -> bool:
        """Send it on a connection of its own; what has come when it is cut off still counts."""
        with socket.create_connection(address, timeout=REPLY_S) as talk:
            talk.sendall(b"\x0b" + batch.text + b"\x1c\r")
            talk.settimeout(LOOK_S)
            heard, until = b"", time.monotonic() + REPLY_S
            while not heard.endswith(b"\x1c\r"):
                was_cut, is_over = self._cut.is_set(), time.monotonic() >= until
                try:
                    some = talk.recv(4_096)
                except TimeoutError:
                    if was_cut or is_over:
                        return False
                else:
                    if not some:
                        return False
                    heard += some
        (asked,) = re.findall(rb"\AMSH(?:\|[^|\r]*){8}\|([^|\r]*)", batch.text)  # MSH-10
        return b"\rMSA|AA|" + asked + b"\r" in heard or b"\rMSA|AA|" + asked + b"|" in heard


class Computer(Caller):
    """A computer that posts readings: the same body under the same Idempotency-Key until it is answered 202."""

    def offer(self, batch: Batch, address: tuple[str, int]) -> bool:
        """Post it. Raises AssertionError where it is refused for good: nothing here may be."""
        talk = http.client.HTTPConnection(*address, timeout=REPLY_S)
        try:
            headers = {"Authorization": f"Bearer {KEY}", "Content-Type": "application/json", "Idempotency-Key": batch.name}
            talk.request("POST", "/api/readings", batch.text, headers)
            answer = talk.getresponse()
            said = answer.read()
        finally:
            talk.close()
        assert answer.status in (202, 408, 429) or answer.status >= 500, (answer.status, said)
        return answer.status == 202
