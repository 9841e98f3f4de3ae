"""Bars, ranges and shares on lines one below the other, as the places of their marks: made here, drawn by the template as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

# ours: pixels; the whole is as wide as a page of A4 has room for
LABEL_PX, PLOT_PX, WORDS_PX = 220, 260, 210
LINE_PX, HEAD_PX = 22, 6
LONGEST_LABEL = 29  # ours: characters that fit before the plot; the whole label stands in the table


class Line(NamedTuple):
    """One line: what it is of, what it says in a word, and values on the chart's own scale.

    ``bar`` is drawn from zero; ``span`` as a thin line from its first to its last value, ``dot`` on it. None: not drawn.
    """

    label: str
    words: str
    bar: float | None = None
    dot: float | None = None
    span: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnLine:
    """A line in pixels from the top left: the middle of its height, and where its marks begin and end. None: not drawn."""

    y: int
    label: str
    words: str
    bar: int | None
    dot: int | None
    span: tuple[int, int] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Chart:
    """A chart: its size, where its plot begins, its lines, and all of it in a sentence."""

    width: int
    height: int
    left: int
    lines: tuple[DrawnLine, ...]
    sentence: str


def chart(lines: Sequence[Line], *, most: float, sentence: str) -> Chart:
    """Draw lines on a scale from 0 to ``most``. What lies beyond it is drawn at its end."""
    return Chart(
        width=LABEL_PX + PLOT_PX + WORDS_PX,
        height=2 * HEAD_PX + LINE_PX * len(lines),
        left=LABEL_PX,
        lines=tuple(_drawn(place, line, most) for place, line in enumerate(lines)),
        sentence=sentence,
    )


def _drawn(place: int, line: Line, most: float) -> DrawnLine:
    def at(value: float) -> int:
        return round(PLOT_PX * min(1.0, max(0.0, value / most))) if most > 0 else 0

    return DrawnLine(
        y=HEAD_PX + LINE_PX * place + LINE_PX // 2,
        label=line.label if len(line.label) <= LONGEST_LABEL else f"{line.label[: LONGEST_LABEL - 1]}…",
        words=line.words,
        bar=None if line.bar is None else at(line.bar),
        dot=None if line.dot is None else LABEL_PX + at(line.dot),
        span=None if line.span is None else (LABEL_PX + at(line.span[0]), LABEL_PX + at(line.span[1])),
    )
