"""Text taken out of its frames, and the way back from a byte of it to the capture's byte."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from bridge.making import maker
from bridge.model import Place

_place = maker(Place)


@dataclass(frozen=True, slots=True)
class Unframed:
    """The text of a capture without its framing.

    ``spans`` holds (text offset, payload offset, length), in rising order, gapless in the text. ``shift`` is how far the payload's bytes
    stand from the text's where that is the same everywhere: without framing, or in a single frame; else None.
    """

    data: bytes
    spans: tuple[tuple[int, int, int], ...]
    starts: tuple[int, ...] = field(init=False, compare=False, repr=False)
    shift: int | None = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "starts", tuple(span[0] for span in self.spans))
        object.__setattr__(self, "shift", self.spans[0][1] - self.spans[0][0] if len(self.spans) == 1 else None)

    def place(self, start: int, end: int) -> Place:
        """Give the payload's byte range behind ``data[start:end]``; framing between two frames is part of it.

        An empty range gives an empty place. Raises ValueError if the range is not inside ``data``.
        """
        if not 0 <= start <= end <= len(self.data):
            raise ValueError(f"[{start}, {end}) is not inside a text of {len(self.data)} bytes")
        shift = self.shift
        if shift is not None:
            return _place(start=start + shift, end=end + shift)
        first = self._payload_offset(start)
        return _place(start=first, end=first if start == end else self._payload_offset(end - 1) + 1)

    def _payload_offset(self, at: int) -> int:
        index = bisect_right(self.starts, at) - 1
        if index < 0:
            return 0
        text_offset, payload_offset, _ = self.spans[index]
        return payload_offset + at - text_offset


def plain(payload: bytes) -> Unframed:
    """Give a payload that has no framing: text and payload are the same bytes."""
    return Unframed(payload, ((0, 0, len(payload)),) if payload else ())
