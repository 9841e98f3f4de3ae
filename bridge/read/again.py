"""Reading a kept capture again, perhaps by another profile: what is judged anew, and what must stay as it stands.

A strip that went, or that a person ended, stays. An index counts the strips of one way of cutting only: where the bytes are
cut otherwise now, the strip at an index may be another patient's, so the bytes decide and never the index alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from bridge.model import Finding, Place, Reading, Severity, Unreadable


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """A strip of the capture as it was judged before. ``is_settled``: it went, or a person ended it."""

    place: Place
    record_digest: str
    is_settled: bool


def holds(readings: Iterable[Reading | Unreadable], strip: Known | None) -> bool:
    """Say whether ``strip`` is among what was read, by its bytes."""
    return strip is not None and any(
        isinstance(reading, Reading) and reading.record_digest == strip.record_digest for reading in readings
    )


def whole_anew(readings: Sequence[Reading | Unreadable], known: Mapping[int, Known]) -> tuple[Reading | Unreadable, ...]:
    """Give what is to be judged of a whole capture; ``known`` by index.

    Settled strips are left out. A strip that now stands at the index of a settled one of other bytes cannot be judged: it
    comes last, as Unreadable, under an index of its own, the same each time.
    """
    settled = {index: strip.record_digest for index, strip in known.items() if strip.is_settled}
    spare = max((*settled, *(reading.index for reading in readings)), default=-1)
    found: list[Reading | Unreadable] = []
    displaced: list[Reading | Unreadable] = []
    for reading in readings:
        if reading.index not in settled:
            found.append(reading)
        elif settled[reading.index] != reading.record_digest:
            spare += 1
            displaced.append(_cut_otherwise(spare, reading.place, reading.analyzer, reading.record_digest))
    return (*found, *displaced)


def one_anew(
    readings: Iterable[Reading | Unreadable], known: Mapping[int, Known], *, index: int, analyzer: str
) -> tuple[Reading | Unreadable, ...]:
    """Give what is to be judged of the strip at ``index``: itself, or Unreadable where its place is gone or another strip's."""
    reading = next((each for each in readings if each.index == index), None)
    own = known.get(index)
    others = {strip.record_digest for place, strip in known.items() if place != index}
    if own is None:
        return () if reading is None else (reading,)
    if reading is None or (reading.record_digest != own.record_digest and reading.record_digest in others):
        return (_cut_otherwise(index, own.place, analyzer, own.record_digest),)
    return (reading,)


def _cut_otherwise(index: int, place: Place, analyzer: str, record_digest: str) -> Unreadable:
    return Unreadable(
        index=index,
        place=place,
        analyzer=analyzer,
        record_digest=record_digest,
        finding=Finding(
            rule="read.cut",
            severity=Severity.REJECT,
            sentence="As the profile is now, this capture is cut into other strips than when it was first judged.",
            remedy="Send this strip again from the analyzer's memory, then discard this row.",
            place=place,
        ),
    )
