"""A serial port as an asynchronous byte stream: pyserial behind a thread that reads (decision 0003)."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor

import serial

from bridge.errors import LineError
from bridge.receive.inbox import Inbox
from bridge.settings import SerialSource

_READ_S = 0.2  # ours: how long a close waits at most for the reading thread
_WRITE_S = 10.0  # ours: shorter than the 15 s after which a sender gives up
_AT_ONCE = 65_536  # ours: bytes taken in one read

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialPort:
    """An open port. Made by ``open_port``; nothing else reads or writes it until ``close``."""

    def __init__(self, port: serial.Serial) -> None:
        self._port = port
        self._room = asyncio.Event()
        self._room.set()
        self._inbox = Inbox(pause=self._room.clear, resume=self._room.set)
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="serial-read")
        self._is_closing = False
        self._reading = asyncio.create_task(self._read_on())

    async def read(self) -> bytes:
        """Wait for bytes and give all there are; b"" once the port is gone."""
        return await self._inbox.read()

    def read_now(self) -> bytes:
        """Give what has come already."""
        return self._inbox.read_now()

    async def write(self, some: bytes) -> None:
        """Send bytes. Raises LineError when the port is gone, or takes nothing for ten seconds."""
        try:
            await asyncio.to_thread(self._port.write, some)
        except OSError as error:  # pyserial's errors are OSErrors
            raise LineError(f"the port takes no bytes: {error}") from error

    async def close(self) -> None:
        """Let go of the port; waits for the reading thread."""
        self._is_closing = True
        self._room.set()
        await self._reading
        await asyncio.to_thread(self._port.close)
        self._thread.shutdown(wait=False)

    async def _read_on(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            while not self._is_closing:
                await self._room.wait()
                some = await loop.run_in_executor(self._thread, self._read_some)
                if some:
                    self._inbox.put(some)
        except OSError:
            pass  # unplugged: the reader of the inbox sees the end
        finally:
            self._inbox.end()

    def _read_some(self) -> bytes:
        first: bytes = self._port.read(1)
        more = min(self._port.in_waiting, _AT_ONCE) if first else 0
        return first + self._port.read(more) if more else first


async def open_port(source: SerialSource) -> SerialPort:
    """Open the port that ``source`` names: a device path, or a pyserial URL. Raises LineError if it is not there."""
    try:
        return SerialPort(await asyncio.to_thread(_open, source))
    except (OSError, ValueError) as error:  # ValueError: a URL that pyserial cannot read, a rate that the port cannot do
        raise LineError(f"the port cannot be opened: {error}") from error


def _open(source: SerialSource) -> serial.Serial:
    port = serial.serial_for_url(
        source.port,
        baudrate=source.baud,
        bytesize=source.bits,
        parity=_PARITIES[source.parity],
        stopbits=source.stop_bits,
        xonxoff=source.software_flow,
        rtscts=source.hardware_flow,
        timeout=_READ_S,
        do_not_open=True,
    )
    if "://" not in source.port:  # pyserial's URLs know neither
        port.write_timeout = _WRITE_S
        port.exclusive = True  # two readers of one port would each get half of every message
    port.open()
    return port
