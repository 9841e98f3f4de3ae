"""The coordinator's indicators as a table with a chart, and what of the list has no figure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.bench.indicators import NOT_COUNTED, Figure
from bridge.pages.bar_chart import Line, chart
from bridge.pages.language import _, decimal, later
from bridge.pages.report_table import Cell, Table, count, heads, share, words

SHARES_SAID = later(
    "Each share is found of n, with its 95 % interval by E. B. Wilson (J Am Stat Assoc 1927;22:209-212): where n is small, a share says little, "
    "and the interval says how little. No figure is good or bad by itself: compare it with your own of other months."
)
UNCHECKED = later("not checked here")
COUNTED_SAID = later(
    "Strips and numbers count by the day they arrived, control runs and tasks of telling by when they came up. A finding counts also where a "
    "person passed over it or corrected what was wrong, and where the site only notes it; a check that the site has not switched on has no share, since nobody looked."
)


def indicators(figures: Sequence[Figure]) -> tuple[Table, ...]:
    """Give the table of figures, and of what has none."""
    drawn = [(each, interval) for each in figures for interval in (each.interval,) if interval is not None]
    most = max((interval.high for _, interval in drawn), default=0.0)
    lines = [
        Line(
            _(each.indicator.title),
            decimal(f"{each.found / each.n:.1%}"),
            dot=each.found / each.n,
            span=(interval.low, interval.high),
        )
        for each, interval in drawn
    ]
    return (
        Table(
            name="figures",
            title=_("Figures"),
            says=(_(SHARES_SAID), _(COUNTED_SAID)),
            heads=heads(
                ("Indicator", "indicator"), ("Found", "found"), ("n", "n"), ("Share", "share"), ("95 % interval from", "95 % interval from"),
                ("to", "95 % interval to"), ("What is counted", "what is counted"), ("Of", "of"),
            ),
            rows=tuple(_row(each) for each in figures),
            nothing=_("There is nothing to count."),
            chart=chart(lines, most=most, sentence=_("Each share as a dot on its 95 % interval; the whole width is {width}.", width=decimal(f"{most:.1%}"))) if lines else None,
        ),
        Table(
            name="without",
            title=_("Without a figure"),
            says=(_("Coordinators follow these too. Padpost cannot tell them from what it stores."),),
            heads=heads(("Indicator", "indicator"), ("Why", "why")),
            rows=tuple((words(_(title)), words(_(why))) for title, why in NOT_COUNTED),
            nothing="",
        ),
    )  # fmt: skip


def _row(each: Figure) -> tuple[Cell, ...]:
    interval = each.interval
    ends = (None, None) if interval is None else (interval.low, interval.high)
    low, high = (Cell("–", "") if end is None else Cell(decimal(f"{end:.1%}"), f"{end:.4f}") for end in ends)
    return (
        words(_(each.indicator.title)), count(each.found), count(each.n), share(each.found, each.n) if each.is_checked else Cell(_(UNCHECKED), "not checked"), low, high,
        words(_(each.indicator.counts)), words(_(each.indicator.among.value)),
    )  # fmt: skip
