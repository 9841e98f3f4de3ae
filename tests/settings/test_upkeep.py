"""How long things are kept and how much room stays free: the defaults keep everything and hold some room back."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from bridge.settings import Keep, Room


def test_nothing_is_purged_unless_it_is_asked_for() -> None:
    """What is gone cannot be asked about: a site says how long its rules want things kept."""
    assert (Keep().captures_days, Keep().results_days, Keep().events_days) == (None, None, None)


def test_captures_go_first() -> None:
    """The bytes as received hold the patient and the values: results without them are no less kept."""
    assert Keep(captures_days=31, results_days=31).results_days == 31
    for wrong in ({"results_days": 90}, {"captures_days": 91, "results_days": 90}):
        with pytest.raises(ValidationError, match="results_days needs captures_days, and not a longer one"):
            Keep(**wrong)


@pytest.mark.parametrize("key", ["captures_days", "results_days", "events_days"])
def test_a_month_is_the_least(key: str) -> None:
    """Shorter, and copies of last week's strips would find nothing to be compared with in words."""
    with pytest.raises(ValidationError, match="greater than or equal to 31"):
        Keep(**{key: 30})


def test_room_is_held_back_and_warned_of_before() -> None:
    """A notice that comes when strips are refused already helps nobody."""
    assert (Room().refuse_below_mb, Room().warn_below_mb, Room().refuse_below_files) == (200, 1_000, 100)
    with pytest.raises(ValidationError, match="warn_below_mb must not be less than refuse_below_mb"):
        Room(refuse_below_mb=2_000)
