"""The day tally: a sum that must add up, every difference a list (ARCHITECTURE, the day tally).

Numbers used = first readings + missing + explained gaps, where the numbers missing right before one that arrived belong to the day on
which that one arrived. Readings = first readings + copies + conflicts.
First readings = sent on + waiting + held + rejected + no reading + discarded + superseded + controls + other non-patient.
Per destination: sent on = acknowledged + queued + refused + superseded + given up. Controls that a destination asks
for stand beside that sum, by the same terms: patients' results alone are sent on. Each term is the list of what
it counts, so a sum that does not come out names the strips or numbers that make the difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

from bridge.bench.answered import GapAnswer, GapPart, parts
from bridge.bench.gaps import NumberRun, gaps_before, runs_of
from bridge.model import DeliveryState, Purpose
from bridge.tables.types import NumberScheme

_Series = tuple[str, str, str]  # analyzer, mode, series


class Fate(StrEnum):
    """What became of one reading; exactly one each."""

    SENT_ON = "sent on"
    WAITING = "waiting"
    HELD = "held"
    REJECTED = "rejected"
    NO_READING = "no reading"
    DISCARDED = "discarded"
    SUPERSEDED = "superseded"
    CONTROL = "control"
    OTHER_NON_PATIENT = "other non-patient"
    COPY = "copy"
    CONFLICT = "conflict"


NON_PATIENT: frozenset[Fate] = frozenset({Fate.CONTROL, Fate.OTHER_NON_PATIENT})
_STOPPED = frozenset({Fate.REJECTED, Fate.DISCARDED})
FIRST_FATES: tuple[Fate, ...] = tuple(fate for fate in Fate if fate not in (Fate.COPY, Fate.CONFLICT))


class Standing(StrEnum):
    """Where a result stands with one destination."""

    ACKNOWLEDGED = "acknowledged"
    QUEUED = "queued"
    REFUSED = "refused"
    SUPERSEDED = "superseded"
    GIVEN_UP = "given up"


_STANDINGS: Mapping[DeliveryState, Standing] = {
    DeliveryState.UNBORN: Standing.QUEUED,
    DeliveryState.QUEUED: Standing.QUEUED,
    DeliveryState.SENDING: Standing.QUEUED,
    DeliveryState.RETRYING: Standing.QUEUED,
    DeliveryState.COMMITTED: Standing.QUEUED,  # kept there is not yet received
    DeliveryState.ACCEPTED: Standing.ACKNOWLEDGED,
    DeliveryState.REFUSED: Standing.REFUSED,
    DeliveryState.UNSURE: Standing.REFUSED,
    DeliveryState.UNMADE: Standing.REFUSED,
    DeliveryState.EXPIRED: Standing.REFUSED,  # all of these lie among the stopped and wait for a person
    DeliveryState.SUPERSEDED: Standing.SUPERSEDED,
    DeliveryState.DISCARDED: Standing.GIVEN_UP,
}


def standing_of(state: DeliveryState) -> Standing:
    """Give the tally's word for a delivery's state."""
    return _STANDINGS[state]


_OUTCOMES: Mapping[str, Fate] = {  # the words of store.rows.StripRow.outcome
    "coded": Fate.SENT_ON,
    "withdrawn": Fate.SENT_ON,  # and taken back: both went on their way, or were set aside there
    "waiting": Fate.WAITING,
    "held": Fate.HELD,
    "rejected": Fate.REJECTED,
    "unreadable": Fate.REJECTED,
    "discarded": Fate.DISCARDED,
    "superseded": Fate.SUPERSEDED,
    "copy": Fate.COPY,
}
CONFLICT_RULE = "copy.conflict"  # ours: the rule's id in bridge/check/rulebook.py, which stands above this room
FAULT_RULES = frozenset({"analyzer.fault", "pad.error"})  # ours: as above


def fate_of(outcome: str, *, rules: Iterable[str], purpose: Purpose) -> Fate:
    """Give the tally's word for a judged strip: its outcome, the rules that spoke, and what it was read for.

    A strip that repeats a number with other content is a conflict while it is held, and a first reading of its own
    once a person let it go. One that the analyzer ended with an error used its number and gave no reading. Raises KeyError for an outcome that no strip can have.
    """
    if outcome == "non_patient":
        return Fate.CONTROL if purpose is Purpose.CONTROL else Fate.OTHER_NON_PATIENT
    fate = _OUTCOMES[outcome]
    if fate is Fate.HELD and CONFLICT_RULE in rules:
        return Fate.CONFLICT
    return Fate.NO_READING if fate in _STOPPED and not FAULT_RULES.isdisjoint(rules) else fate


class TalliedStrip(NamedTuple):  # a tuple, since thousands are made at each look at Today: a third of a dataclass's time
    """One reading of the day. ``number`` is None where the strip carries none."""

    strip_id: int
    analyzer: str
    mode: str
    series: str
    number: int | None
    fate: Fate


class TalliedDelivery(NamedTuple):  # as above
    """Where one result stands with one destination; the newest version's."""

    strip_id: int
    destination: str
    standing: Standing


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesTally:
    """One analyzer's day and number series. Strips are listed by id, in order.

    ``used`` counts the numbers that arrived and those that are missing right before them. ``explained`` are missing numbers that a person
    accounted for.
    ``repeated`` are first readings that bring a number which another first reading has (too little evidence to tell
    copies apart); ``orphaned`` are numbers that only a copy or conflict brought (the first came another day).
    """

    analyzer: str
    mode: str
    series: str
    used: int
    strips: Mapping[Fate, tuple[int, ...]]
    missing: tuple[GapPart, ...]
    explained: tuple[GapPart, ...]
    repeated: tuple[int, ...]
    orphaned: tuple[int, ...]

    @property
    def first_readings(self) -> int:
        """Count the strips that brought their number first."""
        return sum(len(self.strips[fate]) for fate in FIRST_FATES)

    @property
    def readings(self) -> int:
        """Count everything that arrived in this series."""
        return sum(len(strips) for strips in self.strips.values())

    @property
    def difference(self) -> int:
        """Give what the sum of numbers lacks: 0 unless strips are listed as repeated or numbers as orphaned."""
        gone = sum(part.gap.count for part in (*self.missing, *self.explained))
        return self.used - self.first_readings - gone


@dataclass(frozen=True, kw_only=True, slots=True)
class DestinationTally:
    """One destination's day. ``unaccounted`` are strips that were sent on and have no delivery there.

    ``controls`` are the strips of no patient that went there, none where the destination does not ask for them.
    """

    destination: str
    sent_on: int
    strips: Mapping[Standing, tuple[int, ...]]
    unaccounted: tuple[int, ...]
    controls: Mapping[Standing, tuple[int, ...]]


@dataclass(frozen=True, kw_only=True, slots=True)
class DayTally:
    """The whole day. ``unnumbered`` strips stand apart until tied to a missing number."""

    series: tuple[SeriesTally, ...]
    destinations: tuple[DestinationTally, ...]
    unnumbered: Mapping[Fate, tuple[int, ...]]


def tally(
    strips: Iterable[TalliedStrip],
    deliveries: Iterable[TalliedDelivery],
    *,
    schemes: Mapping[str, NumberScheme],
    runs: Iterable[NumberRun] = (),
    answers: Sequence[GapAnswer] = (),
) -> DayTally:
    """Add up one day. ``schemes`` is keyed by analyzer; ``answers`` are what people said of missing numbers.

    ``runs`` are the day's numbers with what stands before them, which may have arrived on another day; of a series that has none
    there what arrived on this day is all that is known. Deliveries of strips that are not among ``strips`` are left out: they belong
    to another day.
    """
    known: dict[_Series, list[NumberRun]] = {}
    for run in runs:
        known.setdefault((run.analyzer, run.mode, run.series), []).append(run)
    ordered = sorted(strips, key=attrgetter("analyzer", "mode", "series", "strip_id"))
    numbered = [each for each in ordered if each.number is not None]
    series = tuple(
        _series_tally(key, tuple(group), lambda found: parts(gaps_before(found, schemes), answers), known.get(key))
        for key, group in groupby(numbered, key=attrgetter("analyzer", "mode", "series"))
    )
    sent_on = frozenset(each.strip_id for each in ordered if each.fate is Fate.SENT_ON)
    controls = frozenset(each.strip_id for each in ordered if each.fate in NON_PATIENT)
    return DayTally(
        series=series,
        destinations=_destination_tallies(sent_on, controls, deliveries),
        unnumbered=_by_fate(each for each in ordered if each.number is None),
    )


def _by_fate(strips: Iterable[TalliedStrip]) -> Mapping[Fate, tuple[int, ...]]:
    kept: dict[Fate, list[int]] = {fate: [] for fate in Fate}
    for each in strips:
        kept[each.fate].append(each.strip_id)
    return {fate: tuple(found) for fate, found in kept.items()}


def _series_tally(
    key: _Series,
    strips: tuple[TalliedStrip, ...],
    missing_before: Callable[[Iterable[NumberRun]], tuple[GapPart, ...]],
    runs: Iterable[NumberRun] | None,
) -> SeriesTally:
    analyzer, mode, series = key
    numbers = {each.number for each in strips if each.number is not None}
    found = missing_before(runs_of(key, numbers) if runs is None else runs)
    firsts = [each for each in strips if each.fate in FIRST_FATES]
    return SeriesTally(
        analyzer=analyzer,
        mode=mode,
        series=series,
        used=len(numbers) + sum(part.gap.count for part in found),
        strips=_by_fate(strips),
        missing=tuple(part for part in found if part.is_open),
        explained=tuple(part for part in found if not part.is_open),
        repeated=_repeated(firsts),
        orphaned=tuple(sorted(numbers - {each.number for each in firsts})),
    )


def _repeated(strips: Iterable[TalliedStrip]) -> tuple[int, ...]:
    """Give the ids of strips whose number an earlier one of them had."""
    seen: set[int | None] = set()
    repeated: list[int] = []
    for each in strips:
        if each.number in seen:
            repeated.append(each.strip_id)
        seen.add(each.number)
    return tuple(repeated)


def _destination_tallies(
    sent_on: frozenset[int], controls: frozenset[int], deliveries: Iterable[TalliedDelivery]
) -> tuple[DestinationTally, ...]:
    known = sent_on | controls
    counted = sorted((each for each in deliveries if each.strip_id in known), key=attrgetter("destination", "strip_id"))
    tallies = []
    for destination, group in groupby(counted, key=lambda each: each.destination):
        kept = tuple(group)
        tallies.append(
            DestinationTally(
                destination=destination,
                sent_on=len(sent_on),
                strips=_by_standing(kept, sent_on),
                unaccounted=tuple(sorted(sent_on - {each.strip_id for each in kept})),
                controls=_by_standing(kept, controls),
            )
        )
    return tuple(tallies)


def _by_standing(deliveries: Iterable[TalliedDelivery], strips: frozenset[int]) -> Mapping[Standing, tuple[int, ...]]:
    kept: dict[Standing, list[int]] = {standing: [] for standing in Standing}
    for each in deliveries:
        if each.strip_id in strips:
            kept[each.standing].append(each.strip_id)
    return {standing: tuple(found) for standing, found in kept.items()}
