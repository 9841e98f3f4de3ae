"""Where the marks of a chart stand."""

from __future__ import annotations

from bridge.pages.bar_chart import HEAD_PX, LABEL_PX, LINE_PX, LONGEST_LABEL, PLOT_PX, Line, chart


def test_lines_stand_below_each_other_on_one_scale() -> None:
    """Half of the most is half of the plot; a range and its dot count from the same zero as a bar."""
    drawn = chart([Line("a", "5", bar=5), Line("b", "2 to 10", dot=2, span=(2, 10))], most=10, sentence="Two lines.")
    first, second = drawn.lines
    assert (first.bar, first.dot, first.span) == (PLOT_PX // 2, None, None)
    assert (second.bar, second.dot, second.span) == (None, LABEL_PX + PLOT_PX // 5, (LABEL_PX + PLOT_PX // 5, LABEL_PX + PLOT_PX))
    assert second.y - first.y == LINE_PX
    assert drawn.height == 2 * HEAD_PX + 2 * LINE_PX
    assert drawn.sentence == "Two lines."


def test_what_lies_beyond_is_drawn_at_the_end() -> None:
    """And where all is nothing, at the beginning."""
    assert chart([Line("a", "", bar=12)], most=10, sentence="").lines[0].bar == PLOT_PX
    assert chart([Line("a", "", bar=0)], most=0, sentence="").lines[0].bar == 0


def test_a_long_label_is_cut_where_it_would_not_fit() -> None:
    drawn = chart([Line("x" * 80, "", bar=1)], most=1, sentence="").lines[0]
    assert len(drawn.label) == LONGEST_LABEL
    assert drawn.label.endswith("…")
