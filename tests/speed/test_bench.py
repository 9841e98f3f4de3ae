"""The table of the benchmarks says what was measured, and goes into its place on the page."""

from __future__ import annotations

import pytest

from tests.speed.bench import BEGIN, END, PAGE, line, table, written
from tests.speed.measures import Row

ROW = Row(what="whole pipeline", figure=1234.5, unit="strips/s", beside="naive", ratio=40.4, target="≥ 40")


def test_a_row_tells_figure_ratio_and_target() -> None:
    """Three digits are enough for a figure of a shared machine; a small ratio keeps two decimals."""
    assert line(ROW) == "| whole pipeline | 1,234 strips/s | 40 × naive | ≥ 40 |"
    assert line(Row(what="start", figure=0.8123, unit="s")) == "| start | 0.81 s |  |  |"
    assert line(Row(what="drain", figure=99.96, unit="s", beside="steady state", ratio=0.951)).endswith(
        "| 0.95 × steady state |  |"
    )


def test_the_table_replaces_the_one_before() -> None:
    """Words around the table stay; a page without its marks is told of."""
    page = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    assert written(page, [ROW]) == f"before\n{BEGIN}\n{table([ROW])}\n{END}\nafter\n"
    with pytest.raises(ValueError, match="no place"):
        written("before\n", [ROW])


def test_the_page_has_its_place() -> None:
    """The command can write the page that the manual links to."""
    assert written(PAGE.read_text(encoding="utf-8"), [ROW]).count(BEGIN) == 1
