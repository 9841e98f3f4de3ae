"""The indicators as a table: found, n, share and interval, each with its definition."""

from __future__ import annotations

from bridge.bench.indicators import INDICATORS, NOT_COUNTED, figures_of
from bridge.pages.indicator_sheet import indicators


def test_each_figure_with_its_definition_and_interval() -> None:
    """None of 20 is 0 to 16.1 % by Wilson's formula: z² / (n + z²) with z = 1.96."""
    figures, without = indicators(figures_of({}, {"runs": (0, 20)}))
    rows = {row[0].plain: row for row in figures.rows}
    assert len(rows) == len(INDICATORS)
    assert [cell.plain for cell in rows["Controls that failed"]] == [
        "Controls that failed", "0", "20", "0.0000", "0.0000", "0.1611", "with a pad that was not as expected", "control runs that counted",
    ]  # fmt: skip
    assert [cell.shown for cell in rows["Never arrived"]][1:6] == ["0", "0", "–", "–", "–"]
    assert figures.chart is not None
    assert [line.label for line in figures.chart.lines] == ["Controls that failed"]
    assert [row[0].plain for row in without.rows] == [title for title, _ in NOT_COUNTED]


def test_of_nothing_nothing_is_drawn() -> None:
    assert indicators(figures_of({}, {}))[0].chart is None
