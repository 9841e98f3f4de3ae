"""When the specimen was collected, and how old it was: what is found, and what just is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.check.specimen import NOT_TOLD, Collected, collected, specimen_right
from bridge.model import Place, Printed, Severity
from bridge.tables.specimen_rule import SpecimenRule
from tests.tables.shipped_tables import tables

PROFILE = replace(tables().profiles["dipper"], collected_format="%Y%m%d%H%M")
READ_AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
HERE = Place(start=3, end=15)
# two hours at room temperature: hospitals' rules for urine (asantelab.testcatalog.org LAB5209), and NCCLS GP16-A2 as these quote it
RULE = SpecimenRule(limit_minutes=120, by_strip_type={"sedge-5": 60})


def told(text: str) -> Collected:
    return collected(Printed(text=text, place=HERE), PROFILE, read_at=READ_AT, tolerance=timedelta(minutes=15))


def before(minutes: int) -> Collected:
    """Give a specimen that was collected so many minutes before its strip was read."""
    return told((READ_AT.astimezone(PROFILE.zone) - timedelta(minutes=minutes)).strftime("%Y%m%d%H%M"))


def rules(given: Collected, rule: SpecimenRule | None = RULE, strip_type: str = "quill-10") -> list[str]:
    return [each.rule for each in specimen_right(given, rule, strip_type)]


@pytest.mark.parametrize(
    ("minutes", "strip_type", "expected"),
    [
        (119, "quill-10", []),
        (120, "quill-10", []),
        (121, "quill-10", ["specimen.too_old"]),
        (60, "sedge-5", []),
        (61, "sedge-5", ["specimen.too_old"]),
        (0, "quill-10", []),
    ],
)
def test_the_limit_is_in_and_a_minute_more_is_not(minutes: int, strip_type: str, expected: list[str]) -> None:
    """HZ-B01: the boundary at 119, 120 and 121 minutes."""
    assert rules(before(minutes), strip_type=strip_type) == expected


def test_an_old_specimen_is_held_or_noted_as_the_site_says() -> None:
    """HZ-B01: the sentence says how old it was and what the limit is; a person may release it."""
    (held,) = specimen_right(before(190), RULE, "quill-10")
    assert held.sentence == "The specimen was 190 minutes old when its strip was read; the limit here is 120."
    assert (held.severity, held.releasable, held.place) == (Severity.HOLD, True, HERE)
    (noted,) = specimen_right(before(190), replace(RULE, stops=False), "quill-10")
    assert (noted.rule, noted.severity, noted.releasable) == ("specimen.too_old", Severity.NOTE, False)
    assert specimen_right(before(190), None, "quill-10") == ()


@pytest.mark.parametrize(("minutes", "is_later"), [(-15, False), (-16, True), (-1_440, True)])
def test_a_specimen_is_not_collected_after_its_strip_was_read(minutes: int, is_later: bool) -> None:
    """HZ-B02: two clocks may differ by the site's tolerance; more is held, also where nobody asks for the age, and such a time is never sent."""
    given = before(minutes)
    assert rules(given) == rules(given, None) == (["specimen.collected_later"] if is_later else [])
    assert (given.sent_at is None) is is_later


def test_a_time_that_nobody_gave_stays_empty() -> None:
    """HZ-B01 (age not known is said, not silent), HZ-B02: the time of the test never stands for it."""
    assert rules(NOT_TOLD) == ["specimen.age_unknown"]
    assert rules(NOT_TOLD, None) == []
    assert NOT_TOLD.sent_at is None
    assert told("") == NOT_TOLD
    assert collected(None, PROFILE, read_at=READ_AT, tolerance=timedelta(0)) == NOT_TOLD
    printed = Printed(text="202611250700", place=HERE)
    silent = replace(PROFILE, collected_format="")
    assert collected(printed, silent, read_at=READ_AT, tolerance=timedelta(0)) == NOT_TOLD


@pytest.mark.parametrize("text", ["2026", "202613250700", "20261125", "yesterday"])
def test_a_time_that_cannot_be_read_is_a_note_and_not_known(text: str) -> None:
    """It stops nothing by itself, and is never guessed."""
    (note,) = specimen_right(told(text), RULE, "quill-10")
    assert (note.rule, note.severity, note.place) == ("specimen.collected_unreadable", Severity.NOTE, HERE)
    assert told(text).sent_at is None


def test_of_an_hour_that_came_twice_the_earlier_counts() -> None:
    """Clocks went back in Lisbon on 2026-10-25 at 02:00 WEST (IANA time zone database): the specimen may be an hour older than it looks."""
    read_at = datetime(2026, 10, 25, 2, 40, tzinfo=UTC)
    given = collected(Printed(text="202610250130", place=HERE), PROFILE, read_at=read_at, tolerance=timedelta(0))
    assert given.age == timedelta(hours=2, minutes=10)
