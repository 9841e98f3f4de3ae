"""Whether strips of a container are positive too often on a pad that moist air turns positive: a container that was left open.

One third of nitrite pads read falsely positive after a week in the open and almost three quarters after two, while the other pads
stayed as they were (Gallagher et al., Am J Emerg Med 1990;8:121). An infection mostly shows leucocytes too; so strips are counted that show
the one and not the other, against the share that the laboratory's own patients show.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from bridge.bench.charts import Interval, wilson
from bridge.bench.lots import LotReading
from bridge.model import Purpose
from bridge.tables.container_table import LeftOpenRule
from bridge.tables.controls import is_negative
from bridge.tables.types import StripType


def chance_of(found: int, n: int, share: Fraction) -> Fraction:
    """Give the probability that ``found`` or more of ``n`` are found, each with probability ``share``: the upper tail of the binomial, exact.

    Raises ValueError unless 0 <= found <= n and 0 < share < 1.
    """
    if not 0 <= found <= n or not 0 < share < 1:
        raise ValueError(f"there is no probability of {found} or more of {n} with a share of {share}")
    rest = share.denominator - share.numerator
    term, fewer = rest**n, 0  # n choose 0; as whole numbers of 1 / denominator ** n, so that nothing is rounded
    for number in range(found):
        fewer += term
        term = term * (n - number) * share.numerator // ((number + 1) * rest)
    return 1 - Fraction(fewer, share.denominator**n)


@dataclass(frozen=True, kw_only=True, slots=True)
class Suspicion:
    """How many of ``n`` patients' strips showed the one pad and not the other, the share's interval, and how probable so many are by chance."""

    found: int
    n: int
    share: Interval
    chance: float
    is_alarm: bool


def suspicion(readings: Iterable[LotReading], strip_type: StripType, rule: LeftOpenRule) -> Suspicion | None:
    """Judge the patients' strips of one container; None where none of them shows both pads."""
    pads = {pad.pad: pad for pad in strip_type.pads}
    if rule.found not in pads or rule.not_found not in pads:
        return None
    shown = [
        (is_negative(pads[rule.found], ranks[rule.found]), is_negative(pads[rule.not_found], ranks[rule.not_found]))
        for each in readings
        if each.purpose is Purpose.PATIENT
        for ranks in [dict(each.pads)]
        if min(ranks.get(rule.found, -1), ranks.get(rule.not_found, -1)) >= 0
    ]
    if not shown:
        return None
    found = sum(not one and other for one, other in shown)
    chance = chance_of(found, len(shown), rule.share)
    return Suspicion(
        found=found,
        n=len(shown),
        share=wilson(found, len(shown)),
        chance=float(chance),
        is_alarm=found >= rule.least and chance < rule.below,
    )
