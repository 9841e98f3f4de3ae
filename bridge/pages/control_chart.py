"""A chart of one pad's controls as the places of its marks: made here, drawn by the template as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.bench.charts import ControlledPad, PadChart
from bridge.pages.language import _
from bridge.pages.words import counted

STEP_PX = 14  # ours: between two runs, and between two steps; a month of daily controls is as wide as a phone
FARTHEST = 3  # ours: what lies further off is drawn at the edge, and said in words
SHAPES = ("circle", "square", "triangle")  # a new lot is another shape: no colour is needed to see it


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """One run: where it stands in pixels from the top left, its shape, and what it says."""

    x: int
    y: int
    shape: str
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawing:
    """A chart: its size, the height of the line of what is expected, its dots, and all of it in a sentence."""

    width: int
    height: int
    middle: int
    dots: tuple[Dot, ...]
    sentence: str


def drawing(chart: PadChart, name: str, *, most: int = 60) -> Drawing:
    """Draw the last ``most`` runs of a pad, oldest first: on the line as expected, above it too high, below it too low."""
    points = chart.points[-most:]
    lots = list(dict.fromkeys(point.lot for point in points))
    middle = STEP_PX * (FARTHEST + 1)
    dots = tuple(
        Dot(
            x=STEP_PX * (place + 1),
            y=middle - STEP_PX * max(-FARTHEST, min(FARTHEST, point.offset)),
            shape=SHAPES[lots.index(point.lot) % len(SHAPES)],
            words=_("{day}, lot {lot}: {offset}", day=f"{point.at:%Y-%m-%d}", lot=point.lot, offset=offset_words(point.offset)),
        )
        for place, point in enumerate(points)
    )
    return Drawing(
        width=STEP_PX * (len(points) + 1), height=2 * middle, middle=middle, dots=dots, sentence=_sentence(name, chart, points)
    )


def offset_words(offset: int) -> str:
    """Say an offset in words."""
    if offset == 0:
        return _("as expected")
    size = counted(abs(offset), "step")
    return _("{steps} too high", steps=size) if offset > 0 else _("{steps} too low", steps=size)


def _sentence(name: str, chart: PadChart, points: Sequence[ControlledPad]) -> str:
    counts = chart.counts
    return _(
        "{name}, level {level}, the last {shown} of {n}: {exact} as expected, {one} one step off, {more} further off",
        name=name,
        level=chart.level,
        shown=len(points),
        n=counts.n,
        exact=counts.exact,
        one=counts.one,
        more=counts.more,
    )
