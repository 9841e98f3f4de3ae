"""The day sheet: what is left of a day in words, and the figures that a signature keeps."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.model import Actor, Answer, Format, Severity
from bridge.pages.day_sheet import DaySheet, day_sheet
from bridge.store.commands import AnswerGap, SignDay
from tests.pages.stocked import GOOD, NOW, OTHER, Stocked, finding

DAY = date(2026, 11, 25)
ANA = Actor(name="Ana", verified="unverified")
BOTH = (Format.ORU_R01, Format.FHIR)
FAULT = finding("analyzer.fault", severity=Severity.REJECT)


def _sheet(shelf: Stocked, day: date = DAY, *, days_later: int = 0) -> DaySheet:
    return day_sheet(shelf.store, shelf.site(), day, now=NOW + timedelta(days=days_later))


def test_a_day_on_which_all_went_well_is_settled(shelf: Stocked) -> None:
    """Everything acknowledged by both receivers, controls and copies beside it."""
    result = shelf.coded(GOOD, to=BOTH)
    for receiver in ("records", "chart"):
        shelf.answered(result, destination=receiver)
    shelf.copy(shelf.other(), number="2")
    sheet = _sheet(shelf)
    assert (sheet.left, sheet.is_over, sheet.signatures, sheet.has_changed) == ((), False, (), False)
    assert _sheet(shelf, days_later=1).is_over is True


def test_what_is_not_settled_is_said_with_its_count(shelf: Stocked) -> None:
    """Each of these asks somebody for something; a strip in error used its number and is settled as no reading."""
    shelf.rejected(found=FAULT)  # 1
    shelf.held()  # 2
    shelf.rejected()  # 3
    shelf.coded(OTHER, to=BOTH, number="7")  # after three that never came
    turned_away = shelf.coded(GOOD, to=(Format.ORU_R01,), number="8")
    shelf.answered(turned_away, Answer.REFUSED, "No such patient")
    shelf.unread(), shelf.refused_file()
    assert _sheet(shelf).left == (
        "3 missing numbers",
        "1 strip waiting for a decision",
        "2 strips that cannot be sent as it is",
        "2 results that a receiver has not acknowledged",
        "1 result turned away",
        "1 result that did not go to every receiver",
        "1 file not taken",
    )


def test_the_figures_are_the_days_without_a_patient(shelf: Stocked) -> None:
    """Canonical JSON, the same for the same day; an answered gap stands among the explained."""
    shelf.coded(GOOD, to=(Format.ORU_R01,)), shelf.coded(OTHER, number="4")
    gap = Gap(analyzer="bench-a", mode="all", series="2026-11-25", first=2, last=2)
    answer = GapAnswer(gap=gap, end=GapEnd.TYPED_IN, by=ANA, reason="slip", at=NOW)
    shelf.store.submit(AnswerGap(answer=answer)).result(10)
    sheet = _sheet(shelf)
    assert json.loads(sheet.figures) == {
        "day": "2026-11-25",
        "series": [
            {
                "analyzer": "bench-a",
                "mode": "all",
                "series": "2026-11-25",
                "used": 4,
                "fates": {"sent on": 2},
                "missing": [[3, 3]],
                "explained": [[2, 2, "typed in from the slip"]],
            }
        ],
        "unnumbered": {},
        "receivers": [{"receiver": "records", "sent_on": 2, "standings": {"queued": 1}, "controls": {}}],
        "refused_files": 0,
    }
    assert GOOD not in sheet.figures
    assert _sheet(shelf).figures == sheet.figures


def test_a_signed_day_that_changed_says_so(shelf: Stocked) -> None:
    """A strip that comes late from the analyzer's memory changes the day on which it comes, and closes the gap of the other."""
    shelf.coded(number="1"), shelf.coded(number="3")
    sheet = _sheet(shelf)
    signing = SignDay(day=DAY, content=sheet.figures, actor=ANA, remark="2 is with us", at=NOW)
    shelf.store.submit(signing).result(10)
    assert _sheet(shelf).has_changed is False
    shelf.coded(number="2", arrived_at=NOW + timedelta(days=1))
    after = _sheet(shelf, days_later=1)
    assert (after.has_changed, "missing" in " ".join(after.left)) == (True, False)
    shelf.store.submit(replace(signing, content=after.figures, remark="2 came")).result(10)
    assert _sheet(shelf, days_later=1).has_changed is False
    (late,) = _sheet(shelf, DAY + timedelta(days=1), days_later=1).tally.series
    assert (late.used, late.first_readings, late.missing, late.difference) == (1, 1, (), 0)
