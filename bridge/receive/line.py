"""What serial lines and TCP connections share: a byte stream driven through the link layer or a cutter."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Protocol

import structlog

from bridge.errors import LineError, StoreError
from bridge.model import Capture, Way
from bridge.receive import Keep, Now
from bridge.settings import Cut, LineSource, LinkTimes
from bridge.wire import lis01
from bridge.wire.cutters import Cutter, Piece

log = structlog.get_logger()

FIRST_RETRY_S = 0.5  # ours: the disk may be back at once
LONGEST_RUN = 50  # ours: pieces that came together and are kept in one commit
LONGEST_RETRY_S = 30.0  # ours: a person mends a full disk in minutes; half a minute more is no loss


class Stream(Protocol):
    """Bytes both ways, over whatever wire."""

    async def read(self) -> bytes:
        """Wait for bytes and give all there are; b"" once the wire is gone. Loses nothing when cancelled."""

    def read_now(self) -> bytes:
        """Give what has come already, which may be nothing."""

    async def write(self, some: bytes) -> None:
        """Send bytes. Raises LineError when the wire is gone."""


class Line:
    """Turns what comes over a stream into kept captures, as the source's settings say."""

    def __init__(self, source: LineSource, *, way: Way, keep: Keep, now: Now) -> None:
        self._source = source
        self._way = way
        self._keep = keep
        self._now = now

    async def run(self, stream: Stream) -> None:
        """Serve one connection until its wire is gone, and until everything that came over it is kept.

        When cancelled, what is under way is kept, torn, if the store takes it at the first try.
        """
        if self._source.cut is None:
            await _LinkTalk(self, stream, self._source).run()
        else:
            await _PlainTalk(self, stream, self._source.cut, longest=self._source.longest_capture_bytes).run()

    def capture(self, payload: bytes, *, torn: bool) -> Capture:
        """Give a capture of this line that arrives now."""
        return Capture(source=self._source.name, way=self._way, arrived_at=self._now(), payload=payload, torn=torn)

    async def try_keep(self, capture: Capture, *more: Capture) -> bool:
        """Keep a capture, and ``more`` that came behind it, if the store can; say whether it could: all or none."""
        try:
            await self._keep(capture, *more)
        except StoreError as error:
            log.warning("capture.not_kept", source=self._source.name, cause=type(error).__name__, bytes=len(capture.payload))
            return False
        return True

    def note_refused_frame(self, reason: str) -> None:
        """Log that a frame was refused; the reason holds none of its bytes."""
        log.warning("line.frame_refused", source=self._source.name, reason=reason)


class _LinkTalk:
    """One connection that speaks LIS01."""

    def __init__(self, line: Line, stream: Stream, source: LineSource) -> None:
        self._line = line
        self._stream = stream
        self._times: LinkTimes = source.times
        self._link = lis01.LinkReceiver(message_ends=source.message_ends, longest_message=source.longest_capture_bytes)
        self._loop = asyncio.get_running_loop()
        self._is_over = False
        self._timer_at: float | None = None
        self._unkept: deque[Capture] = deque()  # torn rests that the store would not take; the sender is put off meanwhile
        self._retry_s = FIRST_RETRY_S
        self._retry_at = 0.0

    async def run(self) -> None:
        try:
            while not self._is_over:
                await self._turn()
            await self._do(self._link.lose())
            while self._unkept:
                await asyncio.sleep(self._retry_s)
                await self._retry()
        except asyncio.CancelledError:
            await self._leave()
            raise

    async def _turn(self) -> None:
        """Wait for whatever is next: bytes, the link's timer, or another try to keep a rest."""
        times = [at for at in (self._timer_at, self._retry_at if self._unkept else None) if at is not None]
        try:
            async with asyncio.timeout_at(min(times, default=None)):
                some = await self._stream.read()
        except TimeoutError:
            await self._ring()
            return
        if some:
            await self._do(self._link.feed(some))
        else:
            self._is_over = True

    async def _ring(self) -> None:
        now = self._loop.time()
        if self._unkept and self._retry_at <= now:
            await self._retry()
        if self._timer_at is not None and self._timer_at <= now:
            await self._do(self._link.expire())

    async def _do(self, outputs: list[lis01.Output]) -> None:
        waiting = deque(outputs)
        while waiting:
            match waiting.popleft():
                case lis01.Send(data=answer):
                    await self._say(answer)
                case lis01.Keep() as keep:
                    waiting.extend(await self._keep(keep))
                case lis01.Refused(reason=reason):
                    self._line.note_refused_frame(reason)
        self._arm()

    def _arm(self) -> None:
        timer = self._link.timer
        seconds = {lis01.Timer.FRAME: self._times.frame_s, lis01.Timer.SETTLE: self._times.settle_s}
        self._timer_at = None if timer is None else self._loop.time() + seconds[timer]

    async def _say(self, answer: bytes) -> None:
        if self._is_over:
            return
        try:
            await self._stream.write(answer)
        except LineError:
            self._is_over = True

    async def _keep(self, keep: lis01.Keep) -> list[lis01.Output]:
        """Keep a message or a rest; look at what came meanwhile before the answer goes out."""
        is_rest = self._link.state is not lis01.ReceiverState.KEEPING
        capture = self._line.capture(keep.payload, torn=keep.torn)
        began = self._loop.time()
        is_kept = await self._line.try_keep(capture)
        is_late = self._loop.time() - began >= self._times.answer_s
        if is_kept:
            self._link.busy = bool(self._unkept)
        else:
            self._link.busy = True
            if is_rest:
                self._put_by(capture)
        outputs = self._link.feed(self._stream.read_now())
        return outputs + (self._link.kept(late=is_late) if is_kept else self._link.not_kept())

    def _put_by(self, capture: Capture) -> None:
        self._unkept.append(capture)
        self._retry_at = self._loop.time() + self._retry_s

    async def _retry(self) -> None:
        """Try again what the store would not take; while it will not, ENQ is answered with NAK."""
        while self._unkept and await self._line.try_keep(self._unkept[0]):
            self._unkept.popleft()
            self._retry_s = FIRST_RETRY_S
        if self._unkept:
            self._retry_s = min(2 * self._retry_s, LONGEST_RETRY_S)
            self._retry_at = self._loop.time() + self._retry_s
        self._link.busy = bool(self._unkept)

    async def _leave(self) -> None:
        """Keep what is under way at a stop of the service; a message that is just being kept has no answer to get."""
        self._is_over = True
        if self._link.state not in lis01.KEEPING_STATES:
            await self._do(self._link.lose())
        for capture in self._unkept:
            await self._line.try_keep(capture)


class _PlainTalk:
    """One connection that only listens: a printer port."""

    def __init__(self, line: Line, stream: Stream, cut: Cut, *, longest: int) -> None:
        self._line = line
        self._stream = stream
        self._gap_s = cut.gap_s
        self._cutter = Cutter(cut.by, longest=longest)

    async def run(self) -> None:
        try:
            while await self._turn():
                pass
        except asyncio.CancelledError:
            for piece in self._cutter.flush():
                await self._line.try_keep(self._line.capture(piece.data, torn=piece.torn))
            raise

    async def _turn(self) -> bool:
        """Take what comes, or the silence; say whether the wire is still there."""
        try:
            async with asyncio.timeout(self._gap_s if self._cutter.is_holding else None):
                some = await self._stream.read()
        except TimeoutError:
            await self._keep_all(self._cutter.flush())
            return True
        await self._keep_all(self._cutter.feed(some) if some else self._cutter.flush())
        return bool(some)

    async def _keep_all(self, pieces: list[Piece]) -> None:
        """Keep pieces in order, however long it takes: nobody would send them again. The port is not read meanwhile."""
        for begin in range(0, len(pieces), LONGEST_RUN):
            captures = [self._line.capture(piece.data, torn=piece.torn) for piece in pieces[begin : begin + LONGEST_RUN]]
            pause_s = FIRST_RETRY_S
            while not await self._line.try_keep(*captures):
                await asyncio.sleep(pause_s)
                pause_s = min(2 * pause_s, LONGEST_RETRY_S)
