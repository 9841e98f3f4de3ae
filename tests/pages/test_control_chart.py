"""The places of a chart's marks, reckoned by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.bench.charts import ControlledPad, pad_charts
from bridge.pages.control_chart import FARTHEST, STEP_PX, drawing, offset_words
from bridge.tables.control_table import DriftRule


def point(day: int, offset: int, lot: str = "B2-0772") -> ControlledPad:
    """Give one run of blood, level 2."""
    at = datetime(2026, 11, 1, 8, 0, tzinfo=UTC) + timedelta(days=day)
    return ControlledPad(at=at, strip_id=day, pad="blood", level="2", lot=lot, offset=offset)


def test_dots_stand_on_above_and_below_the_line() -> None:
    """A step too high is a step up; a new lot is another shape; what is further off than three steps stays on the paper."""
    (chart,) = pad_charts([point(0, 0), point(1, 1), point(2, -5), point(3, 0, lot="B2-0773")], DriftRule())
    drawn = drawing(chart, "blood")
    assert (drawn.width, drawn.height, drawn.middle) == (5 * STEP_PX, 8 * STEP_PX, 4 * STEP_PX)
    assert [(dot.x, dot.y, dot.shape) for dot in drawn.dots] == [
        (STEP_PX, drawn.middle, "circle"),
        (2 * STEP_PX, drawn.middle - STEP_PX, "circle"),
        (3 * STEP_PX, drawn.middle + FARTHEST * STEP_PX, "circle"),
        (4 * STEP_PX, drawn.middle, "square"),
    ]
    assert drawn.dots[2].words == "2026-11-03, lot B2-0772: 5 steps too low"
    assert drawn.sentence == "blood, level 2, the last 4 of 4: 2 as expected, 1 one step off, 1 further off"


def test_only_the_last_runs_are_drawn() -> None:
    """The counts are of all; the picture is of what fits."""
    (chart,) = pad_charts([point(day, 0) for day in range(70)], DriftRule())
    drawn = drawing(chart, "blood")
    assert (len(drawn.dots), drawn.dots[0].words[:10]) == (60, "2026-11-11")
    assert drawn.sentence.startswith("blood, level 2, the last 60 of 70: 70 as expected")


@pytest.mark.parametrize(("offset", "words"), [(0, "as expected"), (1, "1 step too high"), (-2, "2 steps too low")])
def test_offsets_in_words(offset: int, words: str) -> None:
    """For those who do not see the picture."""
    assert offset_words(offset) == words
