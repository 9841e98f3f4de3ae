"""A serial line as a way in: opened, read, and opened again when it was unplugged."""

from __future__ import annotations

import asyncio

import structlog

from bridge.errors import LineError
from bridge.model import Way
from bridge.receive import Keep, Now
from bridge.receive.line import Line
from bridge.receive.ports import SerialPort, open_port
from bridge.settings import SerialSource

log = structlog.get_logger()


class SerialReceiver:
    """Reads one serial line for ever. ``opened`` is set while the port is there."""

    def __init__(self, source: SerialSource, *, keep: Keep, now: Now) -> None:
        self.opened = asyncio.Event()
        self._source = source
        self._line = Line(source, way=Way.SERIAL, keep=keep, now=now)
        self._fault = ""

    async def run(self) -> None:
        """Run until cancelled: a port that is not there is tried again every ``reopen_s``."""
        while True:
            port = await self._open()
            if port is not None:
                await self._serve(port)
            await asyncio.sleep(self._source.reopen_s)

    async def _open(self) -> SerialPort | None:
        try:
            return await open_port(self._source)
        except LineError as error:
            if str(error) != self._fault:  # once, not at every try
                log.warning("line.absent", source=self._source.name, cause=str(error))
            self._fault = str(error)
            return None

    async def _serve(self, port: SerialPort) -> None:
        log.info("line.opened", source=self._source.name)
        self._fault = ""
        self.opened.set()
        try:
            await self._line.run(port)
        finally:
            self.opened.clear()
            await port.close()
        log.warning("line.lost", source=self._source.name)
