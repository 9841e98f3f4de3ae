"""HL7 v2 over MLLP: one message in flight a connection, and only its own answer counts."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import suppress

import structlog

from bridge.lifecycle.answers import Silence, Stray, no_answer, read_mllp
from bridge.model import Acknowledgement, Message
from bridge.settings import MllpDestination
from bridge.wire import er7, mllp

log = structlog.get_logger()

LONGEST_ANSWER = 1_000_000  # bytes; ours: an acknowledgement is a few hundred; more without an end is no answer


class MllpClient:
    """Sends to one receiver. The connection is kept between messages and closed after any doubt.

    After a time-out it is closed so that a late answer can never be taken for the next message's.
    """

    def __init__(self, settings: MllpDestination) -> None:
        self._settings = settings
        self._codec = er7.codec(settings.charset)
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._turn = asyncio.Lock()
        self.strays = 0

    async def send(self, message: Message) -> Acknowledgement:
        """Send ``message`` and give its acknowledgement. Raises nothing for what a receiver or the network does."""
        async with self._turn:
            try:
                reader, writer = await self._connected()
            except socket.gaierror as error:
                return no_answer(Silence.NAME, str(error))
            except (OSError, TimeoutError) as error:
                return no_answer(Silence.NO_CONNECTION, str(error))
            try:
                return await self._exchange(reader, writer, message)
            except asyncio.CancelledError:
                await self._drop()
                raise

    async def close(self) -> None:
        """Close the connection."""
        await self._drop()

    async def _connected(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        if self._streams and (self._streams[0].at_eof() or self._streams[1].is_closing()):
            await self._drop()
        if self._streams is None:
            opening = asyncio.open_connection(self._settings.host, self._settings.port, limit=LONGEST_ANSWER)
            self._streams = await asyncio.wait_for(opening, self._settings.connect_s)
        return self._streams

    async def _exchange(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, message: Message) -> Acknowledgement:
        try:
            async with asyncio.timeout(self._settings.answer_s):
                writer.write(mllp.frame(message.payload))
                await writer.drain()
                async for payload in _payloads(reader):
                    answer = read_mllp(payload, control_id=message.control_id, charset=self._codec)
                    if isinstance(answer, Acknowledgement):
                        return answer
                    self._note(answer)
            silence = Silence.LOST
        except TimeoutError:
            silence = Silence.TIMEOUT
        except OSError:
            silence = Silence.LOST
        except ValueError:
            silence = Silence.TOO_LONG
        await self._drop()
        return no_answer(silence)

    def _note(self, stray: Stray) -> None:
        """Count what is no answer to the message in flight; it is never acknowledged itself."""
        self.strays += 1
        log.warning("mllp.stray", destination=self._settings.name, kind=stray.value)

    async def _drop(self) -> None:
        streams, self._streams = self._streams, None
        if streams:
            streams[1].close()
            with suppress(OSError):
                await streams[1].wait_closed()


async def _payloads(reader: asyncio.StreamReader) -> AsyncIterator[bytes]:
    """Give the frames that arrive until the connection ends. Raises ValueError for an endless one."""
    deframer = mllp.Deframer(longest=LONGEST_ANSWER)
    taken = 0
    while data := await reader.read(65536):
        taken += len(data)
        payloads = deframer.feed(data)
        taken = 0 if payloads else taken
        if taken > LONGEST_ANSWER:
            raise ValueError("bytes without an end")
        for payload in payloads:
            yield payload
