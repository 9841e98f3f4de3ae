"""Computed ratios as coded pads, from what the two pads of one strip were understood as."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from bridge.coding.steps import code_step
from bridge.model import CodedPad, Flag, ReadBy, Step
from bridge.tables.types import Catalogue, StripRatio, StripType


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """A pad of the strip that was understood: its step, and what was printed for it."""

    step: Step
    printed: str


def ratio_pads(
    known: Mapping[str, Known], strip_type: StripType, catalogue: Catalogue, *, read_by: ReadBy
) -> tuple[CodedPad, ...]:
    """Give the ratios that the strip type declares and that its pads, keyed by pad, allow. Raises Unmapped as ``code_step`` does."""
    found = (code_ratio(ratio, known, catalogue, read_by=read_by) for ratio in strip_type.ratios)
    return tuple(pad for pad in found if pad is not None)


def code_ratio(ratio: StripRatio, known: Mapping[str, Known], catalogue: Catalogue, *, read_by: ReadBy) -> CodedPad | None:
    """Give the ratio of two known pads, marked as computed; None where one is missing or the two give none.

    A ratio is a number with one bound, so an abnormal one is always high.
    """
    of, to = known.get(ratio.of), known.get(ratio.to)
    step = ratio.steps.get((of.step.rank, to.step.rank)) if of and to else None
    if of is None or to is None or step is None:
        return None
    names = {name: catalogue.pads[name].name for name in (ratio.of, ratio.to)}
    printed = f"{names[ratio.of]} {of.printed}, {names[ratio.to]} {to.printed}"
    pad = code_step(catalogue.pads[ratio.pad.pad], ratio.pad, step, catalogue.answers, printed=printed, read_by=read_by)
    flag = Flag.HIGH if pad.flag is Flag.ABNORMAL else pad.flag
    return replace(pad, flag=flag, computed_from=(ratio.of, ratio.to))
