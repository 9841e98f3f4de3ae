"""How an analyzer stands: by what happened before a moment, whenever it was entered."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.bench.analyzer_life import (
    Happened,
    KeptHappening,
    LifeEvent,
    Standing,
    in_order,
    may_happen,
    owner_of,
    standing,
)

NINE = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
E = LifeEvent


def at(minutes: float) -> datetime:
    """Give so long after nine."""
    return NINE + timedelta(minutes=minutes)


def happened(what: LifeEvent, minutes: float = 0, text: str = "", reason: str = "") -> Happened:
    """Give what happened so long after nine."""
    return Happened(analyzer="bench-a", what=what, at=at(minutes), text=text, reason=reason)


@pytest.mark.parametrize(
    ("story", "stands"),
    [
        ((), Standing()),
        ((happened(E.OUT, reason="lamp"),), Standing(out_since=NINE, out_reason="lamp")),
        ((happened(E.OUT, reason="lamp"), happened(E.BACK, 1)), Standing()),
        ((happened(E.SERIAL, text="7"), happened(E.OUT, 1, reason="x"), happened(E.BACK, 2)), Standing(serial="7")),
        ((happened(E.SERIAL, text="7"), happened(E.REPLACED, 1, reason="loan")), Standing(is_replaced=True)),
        ((happened(E.SERIAL, text="7"), happened(E.REPLACED, 1, text="8"), happened(E.BACK, 2, text="7")), Standing(serial="7")),
        ((happened(E.FAILED),), Standing(failed_at=NINE)),
        ((happened(E.FAILED), happened(E.PASSED, 1)), Standing()),
        ((happened(E.FAILED), happened(E.REPLACED, 1, text="8")), Standing(is_replaced=True, serial="8")),
        ((happened(E.POWER_ON),), Standing(on_since=NINE)),
        ((happened(E.POWER_ON), happened(E.STRIP_TYPE, 1, text="quill-10")), Standing(on_since=NINE, strip_type="quill-10")),
        ((happened(E.STRIP_TYPE, text="quill-10"), happened(E.POWER_ON, 1)), Standing(on_since=at(1))),
        ((happened(E.ERROR, text="E03"),), Standing()),
        ((happened(E.TRAINING, text=at(60).isoformat()),), Standing(run="training", run_until=at(60))),
        ((happened(E.TRAINING, text=at(60).isoformat()), happened(E.PATIENTS, 5)), Standing()),
        (
            (happened(E.TRAINING, text=at(60).isoformat()), happened(E.COMPARISON, 5, text=at(30).isoformat())),
            Standing(run="comparison", run_until=at(30)),
        ),
    ],
)
def test_it_stands_as_what_happened_left_it(story: tuple[Happened, ...], stands: Standing) -> None:
    """Hazard HZ-D13: another device has no serial number of the one before, and no self-test of it."""
    assert standing(story, at(10)) == stands


def test_what_happens_later_says_nothing_of_now() -> None:
    """A strip that was read before the analyzer was taken out is sound, whenever it arrives."""
    story = (happened(E.OUT, reason="lamp"), happened(E.BACK, 30))
    told = {minutes: standing(story, at(minutes)).out_since for minutes in (-1, 0, 29, 30)}
    assert told == {-1: None, 0: NINE, 29: NINE, 30: None}


def test_the_order_is_that_of_the_clock() -> None:
    """What was entered late stands where it happened; of one moment, in the order of entry."""
    kept = [
        KeptHappening(event_id=number, happened=each, entered_by="Ana", verified="unverified", entered_at=NINE)
        for number, each in enumerate((happened(E.OUT, 5), happened(E.FAILED, 1), happened(E.ERROR, 1)), start=1)
    ]
    assert [each.what for each in in_order(kept)] == [E.FAILED, E.ERROR, E.OUT]


def test_only_what_is_in_is_taken_out_and_only_what_is_out_returns() -> None:
    """Everything else can happen to any analyzer."""
    sound, out = Standing(), Standing(out_since=NINE, out_reason="lamp")
    assert [what for what in E if not may_happen(sound, what)] == [E.BACK, E.PATIENTS]
    assert [what for what in E if not may_happen(out, what)] == [E.OUT, E.PATIENTS]
    assert may_happen(replace(sound, is_replaced=True), E.BACK)


def test_a_device_stands_at_one_place() -> None:
    """Hazard HZ-D13: whose number it is, by what people said; an empty one is nobody's."""
    standings = {"bench-a": Standing(serial="7"), "bench-b": Standing()}
    assert [owner_of(serial, standings) for serial in ("7", "8", "")] == ["bench-a", "", ""]


def test_what_is_declared_ends_by_itself() -> None:
    """HZ-K07: at its end the analyzer runs patients, whoever forgot to say so."""
    stands = standing((happened(E.PROFICIENCY, text=at(60).isoformat()),), at(60))
    assert [stands.run_at(at(minutes)) for minutes in (0, 59.9, 60, 61)] == ["proficiency", "proficiency", "", ""]
    assert Standing().run_at(NINE) == ""


def test_patients_are_run_again_where_something_else_was() -> None:
    """It is said after the end, too: that what was declared is over."""
    assert may_happen(Standing(run="training", run_until=at(60)), E.PATIENTS)
    assert not may_happen(Standing(), E.PATIENTS)
    assert may_happen(Standing(), E.TRAINING)
