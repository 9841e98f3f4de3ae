"""Text taken out of its frames, and the way back from a byte of it to the capture's byte."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from bridge.model import Place


@dataclass(frozen=True, slots=True)
class Unframed:
    """The text of a capture without its framing.

    ``spans`` holds (text offset, payload offset, length), in rising order, gapless in the text.
    """

    data: bytes
    spans: tuple[tuple[int, int, int], ...]
    starts: tuple[int, ...] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "starts", tuple(span[0] for span in self.spans))

    def place(self, start: int, end: int) -> Place:
        """Give the payload's byte range behind ``data[start:end]``; framing between two frames is part of it.

        An empty range gives an empty place. Raises ValueError if the range is not inside ``data``.
        """
        if not 0 <= start <= end <= len(self.data):
            raise ValueError(f"[{start}, {end}) is not inside a text of {len(self.data)} bytes")
        if len(self.spans) == 1:  # no framing, or a single frame: the same distance everywhere
            text_offset, payload_offset, _ = self.spans[0]
            shift = payload_offset - text_offset
            return Place(start=start + shift, end=end + shift)
        first = self._payload_offset(start)
        return Place(start=first, end=first if start == end else self._payload_offset(end - 1) + 1)

    def _payload_offset(self, at: int) -> int:
        index = bisect_right(self.starts, at) - 1
        if index < 0:
            return 0
        text_offset, payload_offset, _ = self.spans[index]
        return payload_offset + at - text_offset


def plain(payload: bytes) -> Unframed:
    """Give a payload that has no framing: text and payload are the same bytes."""
    return Unframed(payload, ((0, 0, len(payload)),) if payload else ())
