"""Printed dates and times mean what Python's own strptime says they mean, at whatever speed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check.local_time import local_time

FORMS = (
    "%Y%m%d%H%M%S",
    "%d/%m/%Y",
    "%d-%m-%Y %H:%M",
    "%H:%M",
    "%Y%m%d",
    "%m/%d/%y",
    "%d %b %Y",
    "%I:%M %p",
    "%Y-%m-%dT%H:%M:%S%z",
    "%Y%Y",
    "1%m%d",
    "%",
)


def outcome(read: Callable[[str, str], datetime], text: str, form: str) -> object:
    """Give the time, or that there is none."""
    try:
        return read(text, form)
    except Exception as error:  # a format that strptime itself cannot use has its own kinds of error
        return type(error)


@given(st.sampled_from(FORMS), st.datetimes(min_value=datetime(1000, 1, 1)))  # strftime gives years before that fewer digits
def test_what_is_printed_by_a_format_is_read_back_as_strptime_reads_it(form: str, at: datetime) -> None:
    """Every format of a profile, and others, with every date: the result is Python's."""
    text = at.strftime(form)
    assert outcome(local_time, text, form) == outcome(datetime.strptime, text, form)


@given(st.sampled_from(FORMS), st.text(alphabet="0123456789/-: T٣²", max_size=16))
def test_what_is_no_date_is_none_for_both(form: str, text: str) -> None:
    """Digits of other scripts, short fields, blanks, hours and months that are none: both refuse, or both read the same; but a text that could be cut in several ways is none."""
    ours, pythons = outcome(local_time, text, form), outcome(datetime.strptime, text, form)
    if isinstance(pythons, datetime) and form in {"%Y%m%d%H%M%S", "%Y%m%d", "1%m%d"} and pythons.strftime(form) != text:
        assert ours is ValueError
    else:
        assert ours == pythons


@pytest.mark.parametrize(
    ("text", "form"),
    [
        (
            "2026112508",
            "%Y%m%d%H%M%S",
        ),  # to the hour, as HL7 v2.5.1 section 2.A.22 (DTM) allows: strptime has 2 November, 05:00:08
        ("20261125", "%Y%m%d%H%M"),
        ("2026112591412", "%Y%m%d%H%M%S"),
        ("202611", "%Y%m%d"),
        ("20261125081+0100", "%Y%m%d%H%M%S%z"),
    ],
)
def test_digits_that_could_be_cut_in_several_ways_are_no_time(text: str, form: str) -> None:
    """A result filed under a day that nobody printed is worse than one that waits for a person."""
    assert isinstance(outcome(datetime.strptime, text, form), datetime)
    with pytest.raises(ValueError, match=r"."):
        local_time(text, form)


def test_a_printed_zone_is_read_in_every_form_that_python_knows() -> None:
    """Z, and hours with or without minutes and colon."""
    for zone in ("Z", "+0100", "+01:00"):
        assert local_time(f"20261125081500{zone}", "%Y%m%d%H%M%S%z").replace(tzinfo=None) == datetime(2026, 11, 25, 8, 15)


@pytest.mark.parametrize(
    ("text", "form", "at"),
    [
        ("20261125091412", "%Y%m%d%H%M%S", datetime(2026, 11, 25, 9, 14, 12)),
        ("5/3/2026", "%d/%m/%Y", datetime(2026, 3, 5)),
        ("08:41", "%H:%M", datetime(1900, 1, 1, 8, 41)),
        ("20240229", "%Y%m%d", datetime(2024, 2, 29)),
    ],
)
def test_the_usual_texts(text: str, form: str, at: datetime) -> None:
    """Full width and short fields, a date alone, a time alone, a leap day."""
    assert local_time(text, form) == at


@pytest.mark.parametrize("text", ["20261332000000", "20260229000000", "20261125240000", "20261125235961", "00001125000000", ""])
def test_what_is_no_time_is_refused(text: str) -> None:
    """A month 13, a 29 February of no leap year, an hour 24, a second 61, a year 0."""
    with pytest.raises(ValueError, match=r"."):
        local_time(text, "%Y%m%d%H%M%S")
