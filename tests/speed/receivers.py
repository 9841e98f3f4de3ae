"""The record systems of the benchmarks: an MLLP receiver that answers AA and a FHIR server that answers 200, each in a process of its own.

They do as little as such a receiver can and note what came, in which order, and when they had answered (CLOCK_MONOTONIC, which all processes
of a machine share). The tests' own receivers (tests/peers) are thorough and would be what is measured.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import re
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, ClassVar, Self

from tests.speed.strips import out_of_order

PATIENCE_S = 120.0  # longest wait for the next arrivals; a benchmark that hangs fails instead
_SPECIMEN = re.compile(rb"U[0-9]{8}")
_ENTRY = re.compile(rb'"fullUrl"')
_CONTROL = re.compile(rb'"value":"([A-Z2-9]{5}M[0-9]+)"')  # Bundle.identifier
_LENGTH = re.compile(rb"\r\ncontent-length: *([0-9]+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message: the number of its strip, its control ID, and when it had been answered (monotonic nanoseconds)."""

    strip: int
    control_id: bytes
    at_ns: int


class _Log:
    """What has come, and the talk with the benchmark about it, all on the receiver's event loop."""

    def __init__(self, pipe: Connection, end: asyncio.Event) -> None:
        self._pipe = pipe
        self._end = end
        self._arrivals: list[tuple[bytes, bytes, int]] = []
        self._wanted = 0

    def note(self, specimen: bytes, control_id: bytes) -> None:
        """Note one message that has just been answered."""
        self._arrivals.append((specimen, control_id, time.monotonic_ns()))
        self._tell()

    def asked(self) -> None:
        """Take what the benchmark says: how many to wait for, give all, forget, end."""
        match self._pipe.recv():
            case int(count):
                self._wanted = count
                self._tell()
            case "count":
                self._pipe.send(len(self._arrivals))
            case "all":
                self._pipe.send(self._arrivals)
            case "forget":
                self._arrivals.clear()
            case _:
                self._end.set()

    def _tell(self) -> None:
        if self._wanted and len(self._arrivals) >= self._wanted:
            self._wanted = 0
            self._pipe.send(len(self._arrivals))


class _Speaks(asyncio.Protocol):
    """What both protocols share: the transport, what has come of a message, and the log."""

    def __init__(self, log: _Log) -> None:
        self._log = log
        self._came = b""
        self._transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def _arrived(self, body: bytes, control_id: bytes, answer: bytes) -> None:
        self._transport.write(answer)
        specimen = _SPECIMEN.search(body)
        self._log.note(specimen[0] if specimen else b"U0", control_id)


class Mllp(_Speaks):
    """Answers each framed message with an AA that names its MSH-10."""

    def data_received(self, data: bytes) -> None:
        self._came += data
        while (end := self._came.find(b"\x1c\r")) >= 0:
            message, self._came = self._came[1:end], self._came[end + 2 :]
            control_id = message.split(b"|", 10)[9]
            header = b"\x0bMSH|^~\\&|LIS|LAB|BRIDGE|LAB|20261125101500||ACK^R01^ACK|" + control_id + b"|P|2.5.1"
            self._arrived(message, control_id, header + b"\rMSA|AA|" + control_id + b"\r\x1c\r")


class Fhir(_Speaks):
    """Answers each posted transaction with a transaction-response that has as many entries, each 201."""

    def data_received(self, data: bytes) -> None:
        self._came += data
        while (head := self._came.find(b"\r\n\r\n")) >= 0:
            length = _LENGTH.search(self._came, 0, head + 2)
            end = head + 4 + (int(length[1]) if length else 0)
            if len(self._came) < end:
                return
            body, self._came = self._came[head + 4 : end], self._came[end:]
            entries = b",".join([b'{"response":{"status":"201"}}'] * len(_ENTRY.findall(body)))
            answer = b'{"resourceType":"Bundle","type":"transaction-response","entry":[' + entries + b"]}"
            header = b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\nContent-Length: %d\r\n\r\n" % len(answer)
            control = _CONTROL.search(body)
            self._arrived(body, control[1] if control else b"", header + answer)


def _serve(kind: type[_Speaks], port: int, pipe: Connection) -> None:
    """Listen until told to end."""

    async def main() -> None:
        loop, end = asyncio.get_running_loop(), asyncio.Event()
        log = _Log(pipe, end)
        server = await loop.create_server(lambda: kind(log), "127.0.0.1", port)
        loop.add_reader(pipe.fileno(), log.asked)
        pipe.send(server.sockets[0].getsockname()[1])
        await end.wait()
        server.close()

    asyncio.run(main())


class Receiver:
    """One receiver in its own process. Use as a context manager; ``port`` is where it listens."""

    kinds: ClassVar[dict[str, type[_Speaks]]] = {"mllp": Mllp, "fhir": Fhir}

    def __init__(self, kind: str = "mllp", *, port: int = 0) -> None:
        """Listen on ``port`` of loopback, or on a free one."""
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(self.kinds[kind], port, theirs), daemon=True)
        self.port = port

    def __enter__(self) -> Self:
        self._process.start()
        self.port = self._answer()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._pipe.send("end")
        self._process.join(10)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._process.close()
        self._pipe.close()

    def forget(self) -> None:
        """Drop what has come so far: the warm-up."""
        self._pipe.send("forget")

    def wait_for(self, count: int, *, bound_s: float = PATIENCE_S) -> None:
        """Wait until ``count`` messages have come since ``forget``. Raises AssertionError if they do not."""
        self._pipe.send(count)
        self._answer(bound_s)

    def count(self) -> int:
        """Give how many have come."""
        self._pipe.send("count")
        return int(self._answer())

    def arrivals(self) -> list[Arrival]:
        """Give everything that came, in order of arrival."""
        self._pipe.send("all")
        raw: list[tuple[bytes, bytes, int]] = self._answer()
        return [Arrival(int(specimen[1:]), control_id, at_ns) for specimen, control_id, at_ns in raw]

    def _answer(self, bound_s: float = PATIENCE_S) -> Any:
        assert self._pipe.poll(bound_s), f"the receiver got nothing more for {bound_s:.0f} s"
        return self._pipe.recv()


def verified(arrivals: list[Arrival], strips: set[int]) -> list[Arrival]:
    """Give ``arrivals`` if they are exactly ``strips``, once each under an ID of its own, each patient's in order. Raises AssertionError."""
    came = [arrival.strip for arrival in arrivals]
    assert len(came) == len(strips), f"{len(came)} messages came of {len(strips)}"
    assert set(came) == strips, f"{len(strips - set(came))} strips are missing"
    assert len({arrival.control_id for arrival in arrivals}) == len(strips), "a control ID came twice"
    assert out_of_order(came) == 0, f"{out_of_order(came)} messages came before an earlier one of their patient"
    return arrivals
