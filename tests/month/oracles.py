"""What the month's statistical rules must say, reckoned apart from the product: from what was played, with the standard library and SciPy.

Nothing of ``bridge`` is used here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median_low

from scipy.stats import binomtest

from tests.month.plan import Strip
from tests.month.seeds import LINE

LIMIT = timedelta(minutes=15)  # beyond which a clock is doubted (the site's own)
NEAR = timedelta(minutes=2)  # within which more than half of the last strips must lie of their median
LAST = 5  # strips of which the median is taken, from three on
DRIFT, OF = 3, 20  # runs off on one side of the last so many


def doubted(judged: Iterable[tuple[Strip, str]]) -> set[int]:
    """Give the numbers of the line's strips whose clock is doubted; ``judged`` are strips in the order of arrival, each with what became of it.

    A strip tells of the clock unless it is a copy or could not be read. One whose own time is near its arrival is believed.
    """
    found: set[int] = set()
    offsets: list[timedelta] = []
    for strip, outcome in judged:
        if strip.analyzer != LINE or outcome == "copy" or not has_time(strip):
            continue
        own = strip.arrives_at - strip.play.at
        if not is_identified(strip):
            continue
        last = [*offsets, own][-LAST:]
        middle = median_low(last)
        agree = sum(abs(each - middle) <= NEAR for each in last)
        if abs(own) > LIMIT and len(last) >= 3 and 2 * agree > len(last) and abs(middle) > LIMIT:
            found.add(strip.play.number)
        offsets.append(own)
    return found


def has_time(strip: Strip) -> bool:
    """Say whether a strip's time can be read: a torn one, or one that ended in error on the line, has none."""
    return strip.keep == 1 and not (strip.fault and strip.analyzer == LINE)


def is_identified(strip: Strip) -> bool:
    """Say whether a strip is one at all: a test message is none."""
    return "message.processing_id" not in strip.rules


def together(strip: Strip) -> set[str]:
    """Give the notes on what the pads of a strip say together, by the words of docs/holds.md and the steps of its ladders; none of strips that are no patient's.

    Of the ladder: pH 7.0 is step 3, 8.2 step 5; specific gravity has steps 0 to 6; blood 3+ is step 4.
    """
    if strip.play.word != "N" or strip.outcome in {"copy", "unreadable"} or strip.fault or not is_identified(strip):
        return set()
    if {"unit.other_system", "unit.off_scale"} & strip.rules:
        return set()  # no value of such a strip is known
    seen = {"nitrite": 0, "leukocytes": 0, "protein": 0, "blood": 0, "bilirubin": 0, "urobilinogen": 0, **strip.play.ranks}
    others = sum(rank for pad, rank in seen.items() if pad not in {"ph", "specific_gravity"})
    alkaline = seen["ph"] >= 5
    told = {
        "plausible.nitrite_alone": seen["nitrite"] and not seen["leukocytes"],
        "plausible.alkaline_nitrite": alkaline and seen["nitrite"],
        "plausible.alkaline_protein": alkaline and seen["protein"],
        "plausible.like_water": seen["specific_gravity"] == 0 and seen["ph"] == 3 and not others,
        "plausible.concentrated": seen["specific_gravity"] == 6 and not (seen["leukocytes"] and seen["nitrite"]),
        "plausible.blood_without_protein": seen["blood"] >= 4 and not seen["protein"],
        "plausible.bilirubin_without_urobilinogen": seen["bilirubin"] and not seen["urobilinogen"],
    }
    return {rule for rule, is_told in told.items() if is_told}


def alike(strips: Sequence[Strip]) -> dict[tuple[str, int], set[str]]:
    """Give the strips whose every step equals the patient's strip before them, another patient's, with three abnormal pads or more."""
    found: dict[tuple[str, int], set[str]] = {}
    before: dict[str, Strip] = {}
    for strip in strips:
        if strip.play.word != "N" or strip.outcome in {"copy", "unreadable"} or not is_identified(strip):
            continue
        last = before.get(strip.analyzer)
        is_another = last is not None and last.play.patient_id != strip.play.patient_id
        if last is not None and is_another and _vector(last) == _vector(strip) and abnormal(strip) >= 3:
            found[strip.analyzer, strip.play.number] = {"look_alike.previous"}
        before[strip.analyzer] = strip
    return found


def abnormal(strip: Strip) -> int:
    """Count the abnormal pads: pH from 8.2, specific gravity 1.000, and every grade above negative."""
    ranks = strip.play.ranks
    graded = sum(rank > 0 for pad, rank in ranks.items() if pad not in {"ph", "specific_gravity"})
    return graded + (ranks.get("ph", 0) >= 5) + (ranks.get("specific_gravity", 0) == 0)


def _vector(strip: Strip) -> dict[str, int]:
    return {pad: rank for pad, rank in strip.play.ranks.items() if rank}


def drifts(offsets: Sequence[int]) -> Iterator[int]:
    """Give, run by run, on which side a pad drifts by then: -1, 1 or 0 for neither; of two sides the one with more, then that of the newest."""
    for end in range(1, len(offsets) + 1):
        last = offsets[max(0, end - OF) : end]
        sides = {side: sum(each * side > 0 for each in last) for side in (-1, 1)}
        if max(sides.values()) < DRIFT:
            yield 0
        elif sides[-1] != sides[1]:
            yield max(sides, key=lambda side: sides[side])
        else:
            yield 1 if next(each for each in reversed(last) if each) > 0 else -1


@dataclass(frozen=True, kw_only=True, slots=True)
class Tail:
    """How many of a container's patients' strips were nitrite without leucocytes, and how probable so many are by chance."""

    found: int
    n: int
    chance: float

    @property
    def is_alarm(self) -> bool:
        """Say whether it must be told: five at least, and less than one container in a hundred."""
        return self.found >= 5 and self.chance < 0.01


def tail(strips: Sequence[Strip], *, share: float) -> Tail:
    """Reckon a container's strips: SciPy's exact binomial test, upper tail."""
    found = sum(each.play.ranks.get("nitrite", 0) > 0 and each.play.ranks.get("leukocytes", 0) == 0 for each in strips)
    return Tail(found=found, n=len(strips), chance=float(binomtest(found, len(strips), share, alternative="greater").pvalue))
