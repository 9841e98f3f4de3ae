"""The day tally adds up, on any day, and a difference is always a list."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap, NumberRun
from bridge.bench.tally import (
    CONFLICT_RULE,
    FAULT_RULES,
    FIRST_FATES,
    Fate,
    Standing,
    TalliedDelivery,
    TalliedStrip,
    fate_of,
    standing_of,
    tally,
)
from bridge.check.rulebook import RULES
from bridge.model import Actor, DeliveryState, Purpose
from tests.check.tables_for_tests import DAILY, FALL

SCHEMES = {"bench-1": DAILY.numbers, "bench-2": FALL.numbers}
DAY = "2026-11-25"


def _strip(strip_id: int, number: int | None, fate: Fate, analyzer: str = "bench-1") -> TalliedStrip:
    return TalliedStrip(strip_id=strip_id, analyzer=analyzer, mode="routine", series=DAY, number=number, fate=fate)


def test_a_morning_by_hand() -> None:
    """Numbers 1 to 8 were used; 4 never came and 6 has a reason; a copy and a conflict of 1 came besides."""
    gap_4 = Gap(analyzer="bench-1", mode="routine", series=DAY, first=4, last=4)
    gap_6 = Gap(analyzer="bench-1", mode="routine", series=DAY, first=6, last=6)
    answer_6 = GapAnswer(
        gap=gap_6,
        end=GapEnd.NO_READING,
        by=Actor(name="Ana", verified="unverified"),
        reason="the strip fell",
        at=datetime(2026, 11, 25, 12, tzinfo=UTC),
    )
    strips = [
        _strip(1, 1, Fate.SENT_ON),
        _strip(2, 2, Fate.HELD),
        _strip(3, 3, Fate.CONTROL),
        _strip(4, 1, Fate.COPY),
        _strip(5, 5, Fate.REJECTED),
        _strip(6, 1, Fate.CONFLICT),
        _strip(7, 7, Fate.DISCARDED),
        _strip(8, 8, Fate.SENT_ON),
        _strip(9, None, Fate.HELD),
    ]
    deliveries = [
        TalliedDelivery(strip_id=1, destination="ward", standing=Standing.ACKNOWLEDGED),
        TalliedDelivery(strip_id=8, destination="ward", standing=Standing.QUEUED),
        TalliedDelivery(strip_id=8, destination="archive", standing=Standing.REFUSED),
        TalliedDelivery(strip_id=77, destination="ward", standing=Standing.ACKNOWLEDGED),  # another day's
        TalliedDelivery(strip_id=3, destination="archive", standing=Standing.QUEUED),  # asks for controls
    ]
    day = tally(strips, deliveries, schemes=SCHEMES, answers=[answer_6])
    (series,) = day.series
    assert (series.used, series.first_readings, series.readings, series.difference) == (8, 6, 8, 0)
    assert [part.gap for part in series.missing] == [gap_4]
    assert [(part.gap, part.answer) for part in series.explained] == [(gap_6, answer_6)]
    assert series.strips[Fate.COPY] == (4,)
    assert series.strips[Fate.CONFLICT] == (6,)
    assert day.unnumbered[Fate.HELD] == (9,)
    archive, ward = day.destinations
    assert (ward.destination, ward.sent_on, ward.unaccounted) == ("ward", 2, ())
    assert ward.strips[Standing.ACKNOWLEDGED] == (1,)
    assert (archive.sent_on, archive.unaccounted, archive.strips[Standing.REFUSED]) == (2, (1,), (8,))
    assert (archive.controls[Standing.QUEUED], archive.strips[Standing.QUEUED]) == ((3,), ())
    assert sum(map(len, ward.controls.values())) == 0


def test_what_stands_before_the_days_numbers_is_known_from_other_days() -> None:
    """A counter that runs on over midnight: 59 and 60 are missing before the morning's 61; 12, late, has 11 before it, and 13 to 60 came long ago."""
    strips = [_strip(1, 61, Fate.SENT_ON, "bench-2"), _strip(2, 12, Fate.SENT_ON, "bench-2")]

    def run(number: int, before: int) -> NumberRun:
        return NumberRun(analyzer="bench-2", mode="routine", series=DAY, first=number, last=number, before=before)

    (series,) = tally(strips, [], schemes=SCHEMES, runs=[run(12, 11), run(61, 58)]).series
    assert [(part.gap.first, part.gap.last) for part in series.missing] == [(59, 60)]
    assert (series.used, series.first_readings, series.difference) == (4, 2, 0)


def test_a_difference_names_its_strips_and_numbers() -> None:
    """Two first readings of number 2, and number 3 known from a copy alone: the sum misses by nothing, yet both are listed."""
    strips = [_strip(1, 1, Fate.SENT_ON), _strip(2, 2, Fate.SENT_ON), _strip(3, 2, Fate.SENT_ON), _strip(4, 3, Fate.COPY)]
    (series,) = tally(strips, [], schemes=SCHEMES).series
    assert (series.used, series.first_readings, series.difference) == (3, 3, 0)
    assert (series.repeated, series.orphaned) == ((3,), (3,))


fates = st.sampled_from(list(Fate))
days = st.lists(st.tuples(st.none() | st.integers(1, 30), fates, st.sampled_from(["bench-1", "bench-2"])), max_size=60).map(
    lambda rows: [_strip(index, number, fate, analyzer) for index, (number, fate, analyzer) in enumerate(rows)]
)


@given(days, st.data())
def test_every_day_adds_up(strips: list[TalliedStrip], data: st.DataObject) -> None:
    """Whatever the day, each strip stands in exactly one list and both sums come out, or their lists say why not."""
    destinations = data.draw(st.sets(st.sampled_from(["ward", "archive"])))
    deliveries = [
        TalliedDelivery(strip_id=strip.strip_id, destination=name, standing=data.draw(st.sampled_from(list(Standing))))
        for strip in strips
        for name in sorted(destinations)
        if data.draw(st.booleans())
    ]
    day = tally(strips, deliveries, schemes=SCHEMES)
    listed = [each for series in day.series for ids in series.strips.values() for each in ids]
    listed += [each for ids in day.unnumbered.values() for each in ids]
    assert sorted(listed) == [strip.strip_id for strip in strips]
    for series in day.series:
        gone = sum(part.gap.count for part in series.missing)
        copies = len(series.strips[Fate.COPY]) + len(series.strips[Fate.CONFLICT])
        assert series.used == series.first_readings + gone + len(series.orphaned) - len(series.repeated)
        assert series.difference == len(series.orphaned) - len(series.repeated)
        assert series.readings == series.first_readings + copies
    for destination in day.destinations:
        counted = [each for ids in destination.strips.values() for each in ids]
        assert sorted([*counted, *destination.unaccounted]) == sorted(s.strip_id for s in strips if s.fate is Fate.SENT_ON)
        assert destination.sent_on == len(counted) + len(destination.unaccounted)
        apart = [each for ids in destination.controls.values() for each in ids]
        others = {strip.strip_id for strip in strips if strip.fate in (Fate.CONTROL, Fate.OTHER_NON_PATIENT)}
        went = {each.strip_id for each in deliveries if each.destination == destination.destination}
        assert sorted(apart) == sorted(others & went)


@pytest.mark.parametrize(
    ("outcome", "rules", "purpose", "fate"),
    [
        ("coded", (), Purpose.PATIENT, Fate.SENT_ON),
        ("held", ("time.future",), Purpose.PATIENT, Fate.HELD),
        ("held", ("time.future", "copy.conflict"), Purpose.PATIENT, Fate.CONFLICT),
        ("coded", ("copy.conflict",), Purpose.PATIENT, Fate.SENT_ON),
        ("rejected", (), Purpose.PATIENT, Fate.REJECTED),
        ("rejected", ("analyzer.fault",), Purpose.PATIENT, Fate.NO_READING),
        ("discarded", ("patient.missing", "pad.error"), Purpose.PATIENT, Fate.NO_READING),
        ("discarded", ("analyzer.fault",), Purpose.PATIENT, Fate.NO_READING),
        ("coded", ("analyzer.fault",), Purpose.PATIENT, Fate.SENT_ON),
        ("unreadable", (), Purpose.PATIENT, Fate.REJECTED),
        ("copy", (), Purpose.CONTROL, Fate.COPY),
        ("non_patient", (), Purpose.CONTROL, Fate.CONTROL),
        ("non_patient", (), Purpose.TRAINING, Fate.OTHER_NON_PATIENT),
        ("discarded", (), Purpose.PATIENT, Fate.DISCARDED),
        ("superseded", (), Purpose.PATIENT, Fate.SUPERSEDED),
    ],
)
def test_each_outcome_has_one_fate(outcome: str, rules: tuple[str, ...], purpose: Purpose, fate: Fate) -> None:
    """The store's words become the tally's, one for one; a conflict is one only while it waits for a person."""
    assert fate_of(outcome, rules=rules, purpose=purpose) is fate


def test_the_words_of_other_rooms_are_known_here() -> None:
    """Each delivery state has a standing, the conflict's rule is in the rulebook, and an unknown outcome is an error."""
    assert {standing_of(state) for state in DeliveryState} == set(Standing)
    assert {CONFLICT_RULE, *FAULT_RULES} <= RULES.keys()
    assert Fate.COPY not in FIRST_FATES
    with pytest.raises(KeyError):
        fate_of("lost", rules=(), purpose=Purpose.PATIENT)
