"""Checked readings by the steps of their pads, and a simulated population of patients. All invented."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

from bridge.check.copies import Claim
from bridge.model import (
    CheckedPad,
    CheckedReading,
    Neighbour,
    Place,
    Priority,
    Purpose,
    Reading,
    StripContent,
    StripKey,
)
from tests.tables.shipped_tables import tables

AT = datetime(2026, 11, 25, 9, tzinfo=UTC)
HERE = Place(start=0, end=1)
WINDOW = timedelta(minutes=120)
NORMAL: Mapping[str, int] = {
    "ph": 2,
    "specific_gravity": 3,
    "calcium": 1,
    "creatinine": 2,
}  # of pads whose lowest step is not the usual one


def checked(
    strip_type: str = "quill-10", *, patient: str = "40718801", number: str = "7", ranks: Mapping[str, int] | None = None
) -> CheckedReading:
    """Give a patient's strip that shows nothing but the steps that are named, by their ranks."""
    ranks = ranks or {}
    ladders = {pad.pad: pad.ladder for pad in tables().strip_types[strip_type].pads}
    stands = {pad: ranks.get(pad, NORMAL.get(pad, 0)) for pad in ladders}
    assert ranks.keys() <= ladders.keys()
    return CheckedReading(
        reading=Reading(index=0, place=HERE, analyzer="bench-1", profile="brook", record_digest="d"),
        key=StripKey(analyzer="bench-1", mode="all", series="s", number=number),
        content=StripContent(
            patient_id=patient, operator="", strip_type=strip_type, strip_lot="", pads=tuple(stands.items())
        ),
        purpose=Purpose.PATIENT, priority=Priority.ROUTINE, patient_id=patient, corrected_by=None, patient_name="", specimen_id="",
        operator="", strip_type=strip_type, strip_lot="", analyzed_at=AT,
        pads=tuple(CheckedPad(pad=pad, step=ladders[pad][rank], printed="", place=Place(start=place, end=place + 1)) for place, (pad, rank) in enumerate(stands.items())),
    )  # fmt: skip


def claim(strip: CheckedReading, *, after: timedelta = timedelta(minutes=1)) -> Claim:
    """Give what a strip says of itself, so long after the one before it."""
    return Claim(
        key=strip.key, content=strip.content, printed_at=AT + after, arrived_at=AT + after, is_daily=True, is_marked=False, window=WINDOW
    )  # fmt: skip


def neighbour(strip: CheckedReading) -> Neighbour:
    """Give a strip as the next one sees it."""
    return Neighbour(number=strip.key.number, patient_id=strip.patient_id, content=strip.content, printed_at=AT, arrived_at=AT)


# A population by what may be the matter: its share, and of each pad the steps that are seen with their weights. Shares and weights are
# invented: more illness than a clinic's morning has, so that the rates of false alarms are rather too high than too low.
STATES: tuple[tuple[float, Mapping[str, tuple[int, ...]]], ...] = (
    (0.55, {}),
    (0.10, {"protein": (6, 3, 1), "leukocytes": (5, 4, 1), "blood": (6, 3, 1)}),  # a trace here and there
    (0.12, {"leukocytes": (0, 1, 3, 4, 4), "nitrite": (5, 5), "blood": (3, 3, 3, 2, 1), "protein": (3, 4, 3, 1)}),  # infection
    (0.08, {"glucose": (0, 1, 2, 3, 3, 2), "ketones": (6, 2, 2, 1, 1), "protein": (5, 3, 2, 1)}),  # sugar
    (0.07, {"protein": (0, 1, 3, 4, 3), "blood": (4, 2, 2, 2, 1)}),  # kidney
    (0.04, {"ketones": (0, 2, 3, 3, 2)}),  # fasting
    (0.04, {"bilirubin": (0, 4, 3, 2), "urobilinogen": (3, 3, 3, 2)}),  # liver
)
SPREAD: Mapping[str, tuple[int, ...]] = {"ph": (2, 6, 8, 6, 3, 1, 0), "specific_gravity": (1, 4, 5, 6, 6, 4, 2)}


def population(strip_type: str, count: int, *, seed: int) -> Iterator[CheckedReading]:
    """Make up so many strips of different patients, as one analyzer reads them; a shorter ladder's last step stands for those it lacks."""
    chance = random.Random(seed)
    steps = {pad.pad: len(pad.ladder) for pad in tables().strip_types[strip_type].pads}
    for number in range(count):
        (state,) = chance.choices([pads for _, pads in STATES], [share for share, _ in STATES])
        drawn = {pad: chance.choices(range(len(weights)), weights)[0] for pad, weights in {**SPREAD, **state}.items()}
        ranks = {pad: min(rank, steps[pad] - 1) for pad, rank in drawn.items() if pad in steps}
        yield checked(strip_type, patient=f"{40_000_000 + number}", number=str(number), ranks=ranks)
