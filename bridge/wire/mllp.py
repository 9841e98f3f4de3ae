"""MLLP framing: VT, payload, FS CR (HL7 v2 transport specification, release 1, from memory)."""

from __future__ import annotations

VT, FS, CR = b"\x0b", b"\x1c", b"\r"  # start block, end block, carriage return
BEGINNING = 4_096  # ours: bytes that are remembered of a frame that is too long, enough to answer it and to know it again
LONGEST = 16_000_000  # ours: far above any answer or result; bounds memory against a peer that never ends a frame


def frame(payload: bytes) -> bytes:
    """Give ``payload`` ready for the wire. Raises ValueError if it holds a byte that would end or restart the frame."""
    if VT in payload or FS in payload:
        raise ValueError("the payload holds a VT or FS, which MLLP cannot carry")
    return VT + payload + FS + CR


class Deframer:
    """Takes frames out of a byte stream, whatever the chunks.

    ``skipped`` counts bytes that belonged to no frame: before a VT, and of a frame that another VT began anew.
    ``too_long`` counts frames over ``longest`` bytes; they are left out whole, and ``beginnings`` holds the first bytes of each.
    ``is_open`` says that a frame has begun and not ended.
    """

    def __init__(self, *, longest: int = LONGEST) -> None:
        self.skipped = 0
        self.too_long = 0
        self.beginnings: list[bytes] = []
        self.is_open = False
        self._longest = longest
        self._buffer = bytearray()
        self._looked_at = 0  # bytes of the buffer that hold no VT and no FS CR: a long frame in small pieces is looked at once
        self._beginning = b""
        self._is_too_long = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; give the payloads that they complete, oldest first."""
        self._buffer += data
        payloads: list[bytes] = []
        while self._advance(payloads):
            pass
        return payloads

    @property
    def open_part(self) -> bytes:
        """Give what has come of a frame that has begun and not ended; empty where none has, or where it is too long."""
        return bytes(self._buffer) if self.is_open and not self._is_too_long else b""

    def _advance(self, payloads: list[bytes]) -> bool:
        """Do one step; say whether another one may follow."""
        start = self._buffer.find(VT, self._looked_at)
        if not self.is_open:
            self._skip(len(self._buffer) if start < 0 else start)
            return self._open() if start >= 0 else False
        end = self._buffer.find(FS + CR, max(self._looked_at - 1, 0))
        if start >= 0 and (end < 0 or start < end):
            self._skip(start)
            return self._open()
        if end < 0:
            self._shorten()
            self._looked_at = len(self._buffer)
            return False
        if self._is_too_long or end > self._longest:
            self.too_long += 1
            self.beginnings.append(self._beginning or bytes(self._buffer[:BEGINNING]))
        else:
            payloads.append(bytes(self._buffer[:end]))
        self._forget(end + 2)
        self.is_open = self._is_too_long = False
        self._beginning = b""
        return True

    def _open(self) -> bool:
        self._forget(1)
        self.is_open, self._is_too_long, self._beginning = True, False, b""
        return True

    def _skip(self, count: int) -> None:
        self.skipped += count
        self._forget(count)

    def _forget(self, count: int) -> None:
        del self._buffer[:count]
        self._looked_at = 0

    def _shorten(self) -> None:
        """Forget a frame that is too long, but for a last FS, whose CR may still come."""
        if len(self._buffer) > self._longest + 1 and not self._is_too_long:
            self._is_too_long, self._beginning = True, bytes(self._buffer[:BEGINNING])
        if self._is_too_long:
            del self._buffer[: len(self._buffer) - 1]
