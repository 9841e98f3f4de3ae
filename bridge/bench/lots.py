"""Lots of strips looked back on: which strips were of a lot, where their results went, and how two lots agree.

Grades are ranks without distances: two lots are compared by how many steps apart their pads read the same specimen, as controls are charted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from bridge.bench.charts import Counts, counted
from bridge.bench.containers import spans
from bridge.model import Container, DeliveryState, Purpose
from bridge.tables.controls import is_negative
from bridge.tables.types import StripPad, StripType

COMPARED = frozenset(
    {Purpose.CONTROL, Purpose.COMPARISON}
)  # ours: what is run on two lots on purpose; patients' strips are run once


def is_alike(code: str, other: str) -> bool:
    """Say whether two lot codes that differ are written alike but for capitals, spaces and hyphens: 24A01, 24a01, 24A-01. "" is like none.

    Nothing is taken for the other lot by it: a person is asked to look.
    """
    return code != other and "" != _bare(code) == _bare(other)


def _bare(code: str) -> str:
    return "".join(each for each in code.casefold() if not each.isspace() and each != "-")


@dataclass(frozen=True, kw_only=True, slots=True)
class LotUse:
    """One strip of a lot, as it stands now, and where its result went: (destination, state) of the newest version, by destination.

    ``outcome`` is as store.rows.StripRow has it. ``read_at`` is when it was read, else when it arrived. ``patient_id`` is "" for any other purpose.
    """

    strip_id: int
    analyzer: str
    number: str
    purpose: Purpose
    outcome: str
    patient_id: str
    specimen_id: str
    read_at: datetime
    result_id: str
    ways: tuple[tuple[str, DeliveryState], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LotReading:
    """What one strip of a lot showed: (pad, rank of its step) in strip order, below 0 where a value was not understood.

    ``said`` is what its record says of the specimen, else of the patient: strips of one specimen say the same.
    """

    strip_id: int
    analyzer: str
    strip_lot: str
    purpose: Purpose
    read_at: datetime
    said: str
    pads: tuple[tuple[str, int], ...]


# --- every strip of a lot -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class LotTally:
    """How many strips of a lot there are, by (purpose, outcome) and by (destination, state) of their results; ``patients``: different IDs among them."""

    strips: int
    patients: int
    outcomes: Mapping[tuple[Purpose, str], int]
    ways: Mapping[tuple[str, DeliveryState], int]


def tallied(uses: Iterable[LotUse]) -> LotTally:
    """Add up the strips of a lot."""
    every = tuple(uses)
    return LotTally(
        strips=len(every),
        patients=len({use.patient_id for use in every if use.patient_id}),
        outcomes=dict(sorted(Counter((use.purpose, use.outcome) for use in every).items())),
        ways=dict(sorted(Counter(way for use in every for way in use.ways).items())),
    )


def told_by_container(
    uses: Iterable[LotUse], containers: Mapping[str, tuple[Container, ...]], strip_lot: str
) -> Iterator[LotUse]:
    """Give those strips without a printed lot that were read while a container of the lot was the newest one at their analyzer.

    ``containers``: by analyzer, of any lot, in the order of opening.
    """
    found = {
        analyzer: [span for each in chain if each.strip_lot == strip_lot for span in [spans(chain)[each.container_id]]]
        for analyzer, chain in containers.items()
    }
    for use in uses:
        if any(span.takes_in(use.read_at) for span in found.get(use.analyzer, ())):
            yield use


# --- two lots beside each other -----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """The same specimen, or control, read on a strip of one lot and on one of another."""

    said: str
    first: LotReading
    second: LotReading


def pairs(first: Iterable[LotReading], second: Iterable[LotReading]) -> tuple[Pair, ...]:
    """Give what was read on both lots on purpose: the first reading of a specimen with the first, the second with the second.

    On purpose are controls and comparison strips, each in the order of reading. What says nothing of its specimen has no pair.
    """
    others = _by_specimen(second)
    found = []
    for said, readings in _by_specimen(first).items():
        beside = zip(readings, others.get(said, ()), strict=False)  # what was read once more on one of them stays alone
        found += [Pair(said=said, first=one, second=other) for one, other in beside]
    return tuple(found)


def _by_specimen(readings: Iterable[LotReading]) -> dict[str, list[LotReading]]:
    found: dict[str, list[LotReading]] = {}
    for each in sorted(readings, key=lambda reading: (reading.read_at, reading.strip_id)):
        if each.purpose in COMPARED and each.said:
            found.setdefault(each.said, []).append(each)
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class PadAgreement:
    """How one pad agrees on two lots: pairs exact, one step and further apart, and how many lie on either side of negative.

    ``negative`` counts the pairs that the first lot read as negative, ``positive`` the others; both 0 on a pad without a negative step. Of
    a pad in words (colour) a pair is exact or further apart: words have no steps between them.
    """

    pad: str
    counts: Counts
    crossed: int
    negative: int
    positive: int


def agreement(compared: Iterable[Pair], strip_type: StripType) -> tuple[PadAgreement, ...]:
    """Compare pairs pad by pad, in the order of the strip; a pad whose value one of the two did not give is left out of its count."""
    found = [(dict(pair.first.pads), dict(pair.second.pads)) for pair in compared]
    return tuple(
        _agreement(
            pad, [(one[pad.pad], two[pad.pad]) for one, two in found if min(one.get(pad.pad, -1), two.get(pad.pad, -1)) >= 0]
        )
        for pad in strip_type.pads
    )


def _agreement(pad: StripPad, ranks: list[tuple[int, int]]) -> PadAgreement:
    is_words = any(step.word for step in pad.ladder)
    sides = [(is_negative(pad, one), is_negative(pad, two)) for one, two in ranks] if _has_negative(pad) else []
    return PadAgreement(
        pad=pad.pad,
        counts=counted((2 if is_words and one != two else two - one) for one, two in ranks),
        crossed=sum(one is not two for one, two in sides),
        negative=sum(one for one, _ in sides),
        positive=sum(not one for one, _ in sides),
    )


def _has_negative(pad: StripPad) -> bool:
    return any(is_negative(pad, step.rank) for step in pad.ladder)
