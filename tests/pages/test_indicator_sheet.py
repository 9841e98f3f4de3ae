"""The indicators as a table: found, n, share and interval, each with its definition."""

from __future__ import annotations

from bridge.bench.indicators import INDICATORS, NOT_COUNTED, Among, figures_of
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


def test_what_nobody_checks_is_no_perfect_figure() -> None:
    """HZ-E02: none of 67 where nobody looked is no share and no dot; what was found before the check was switched off still stands."""
    sums = {Among.PATIENTS: 67, "container": 2}
    figures, _ = indicators(figures_of(sums, {}, unchecked={"controls", "container"}))
    rows = {row[0].plain: [cell.shown for cell in row[1:6]] for row in figures.rows}
    assert rows["Controls not right"] == ["0", "67", "not checked here", "–", "–"]
    assert rows["Strips expired or not entered"][:3] == ["2", "67", "3.0%"]
    assert rows["Patient ID missing or mistyped"][:3] == ["0", "67", "0.0%"]
    assert figures.chart is not None
    assert "Controls not right" not in [line.label for line in figures.chart.lines]


def test_of_nothing_nothing_is_drawn() -> None:
    assert indicators(figures_of({}, {}))[0].chart is None
