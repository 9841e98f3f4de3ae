"""The day sheet: one day's sums, everything that is left of it, and who signed it. Printable."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from bridge.bench.answered import GapPart
from bridge.bench.gaps import gaps_before
from bridge.bench.tally import DayTally, Fate, Standing
from bridge.pages.language import several
from bridge.pages.site import PagesSite
from bridge.pages.today import tally_of
from bridge.pages.words import counted
from bridge.store.api import Store
from bridge.store.rows import DaySignature, DayStrips

_LEFT_FATES: tuple[tuple[Fate, str, str], ...] = (
    (Fate.WAITING, *several("strip waiting for controls", "strips waiting for controls")),
    (Fate.HELD, *several("strip waiting for a decision", "strips waiting for a decision")),
    (Fate.REJECTED, *several("strip that cannot be sent as it is", "strips that cannot be sent as it is")),
    (Fate.CONFLICT, *several("strip with the number of another", "strips with the number of another")),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class DaySheet:
    """A day as it stands now. ``left`` says what is not settled; ``figures`` is what a signature keeps; ``signatures``: the latest first."""

    day: date
    strips: DayStrips
    tally: DayTally
    left: tuple[str, ...]
    figures: str
    signatures: tuple[DaySignature, ...]
    is_over: bool
    is_to_come: bool = False

    @property
    def is_empty(self) -> bool:
        """Say whether nothing of this day is here, so that nothing of it can be settled either."""
        return not self.strips.groups and not self.strips.refused_files

    @property
    def has_changed(self) -> bool:
        """Say whether the figures are others than those that were signed last."""
        return bool(self.signatures) and self.signatures[0].content != self.figures


def day_sheet(store: Store, site: PagesSite, day: date, *, now: datetime) -> DaySheet:
    """Gather a day's sheet."""
    strips = store.day(day, site.zone)
    answers = store.gap_answers(gaps_before(strips.runs, site.schemes))
    tally = tally_of(strips, site.schemes, answers)
    return DaySheet(
        day=day,
        strips=strips,
        tally=tally,
        left=things_left(strips, tally),
        figures=figures(strips, tally),
        signatures=store.day_signatures(since=day, until=day),
        is_over=day < now.astimezone(site.zone).date(),
        is_to_come=day > now.astimezone(site.zone).date(),
    )


def things_left(strips: DayStrips, tally: DayTally) -> tuple[str, ...]:
    """Say in words what of a day is not settled, each with its count."""
    counts = [
        (sum(part.gap.count for series in tally.series for part in series.missing), *several("missing number", "missing numbers")),
        *((_count(tally, fate), one, many) for fate, one, many in _LEFT_FATES),
        (sum(len(to.strips[Standing.QUEUED]) for to in tally.destinations), *several("result that a receiver has not acknowledged",
         "results that a receiver has not acknowledged")),
        (sum(len(to.strips[Standing.REFUSED]) for to in tally.destinations), *several("result turned away", "results turned away")),
        (sum(len(to.unaccounted) for to in tally.destinations), *several("result that did not go to every receiver",
         "results that did not go to every receiver")),
        (sum(len(series.repeated) for series in tally.series), *several("number read twice", "numbers read twice")),
        (sum(len(series.orphaned) for series in tally.series), *several("number known from a copy alone", "numbers known from a copy alone")),
        (strips.refused_files, *several("file not taken", "files not taken")),
    ]  # fmt: skip
    return tuple(counted(count, one, many) for count, one, many in counts if count)


def _count(tally: DayTally, fate: Fate) -> int:
    return sum(len(series.strips[fate]) for series in tally.series) + len(tally.unnumbered[fate])


def figures(strips: DayStrips, tally: DayTally) -> str:
    """Write the figures of a day as canonical JSON: what a signature keeps, without anything of a patient."""
    plain = {
        "day": strips.day.isoformat(),
        "series": [
            {
                "analyzer": each.analyzer,
                "mode": each.mode,
                "series": each.series,
                "used": each.used,
                "fates": _counts(each.strips),
                "missing": [_range(part) for part in each.missing],
                "explained": [[*_range(part), part.answer.end.value] for part in each.explained if part.answer],
            }
            for each in tally.series
        ],
        "unnumbered": _counts(tally.unnumbered),
        "receivers": [
            {"receiver": to.destination, "sent_on": to.sent_on, "standings": _counts(to.strips), "controls": _counts(to.controls)}
            for to in tally.destinations
        ],
        "refused_files": strips.refused_files,
    }
    return json.dumps(plain, sort_keys=True, separators=(",", ":"))


def _counts(strips: Mapping[Fate, tuple[int, ...]] | Mapping[Standing, tuple[int, ...]]) -> dict[str, int]:
    return {str(term): len(found) for term, found in strips.items() if found}


def _range(part: GapPart) -> list[int]:
    return [part.gap.first, part.gap.last]
