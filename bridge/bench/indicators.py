"""What a coordinator of testing at the bench and the bedside follows, month by month, as far as what is stored can tell it.

The list is that of a mailing list of such coordinators (shared with us as trade knowledge); each definition is ours, and stands beside its figure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from bridge.bench.charts import Interval, wilson
from bridge.bench.workload import Handled
from bridge.model import Purpose


class Among(StrEnum):
    """What an indicator is a share of. The words stand on the page."""

    PATIENTS = "patients' strips that could be read, copies left out"
    RECORDS = "records that arrived, copies left out"
    ALL_RECORDS = "records that arrived"
    MESSAGES = "results by receiver of strips that arrived"
    RUNS = "control runs that counted"
    TASKS = "tasks of telling that were opened"
    NUMBERS = "numbers that the analyzers used"


@dataclass(frozen=True, kw_only=True, slots=True)
class Indicator:
    """A definition: ``counts`` says what is found, ``among`` of what. ``rules``: ids of findings any of which makes a strip count; empty where it is counted otherwise."""

    name: str
    title: str
    counts: str
    among: Among
    rules: frozenset[str] = frozenset()


# ours: the rules' ids are those of bridge/check/rulebook.py, which stands above this room; a test compares
INDICATORS: tuple[Indicator, ...] = (
    Indicator(
        name="day_log", title="Day log not complete", among=Among.PATIENTS, rules=frozenset({"day_log.missing"}),
        counts="read while something that was due in the analyzer's day log was not noted",
    ),
    Indicator(
        name="controls", title="Controls not right", among=Among.PATIENTS, rules=frozenset({"controls.due", "controls.failed"}),
        counts="read while controls were due, or after one had failed",
    ),
    Indicator(name="runs", title="Controls that failed", among=Among.RUNS, counts="with a pad that was not as expected"),
    Indicator(
        name="other_label", title="Another label for the patient's", among=Among.PATIENTS, rules=frozenset({"patient.denied", "patient.registered"}),
        counts="with a patient ID that belongs to strips, controls, a badge or the like",
    ),
    Indicator(
        name="patient_id", title="Patient ID missing or mistyped", among=Among.PATIENTS,
        rules=frozenset({"patient.missing", "patient.malformed", "patient.check_digit"}),
        counts="without a patient ID, or with one that is not built as the site's are or fails its check digit",
    ),
    Indicator(name="turned_away", title="Turned away by a receiver", among=Among.MESSAGES, counts="that the receiver did not take at first"),
    Indicator(name="told", title="Critical results told in time", among=Among.TASKS, counts="where somebody read it back within the site's time"),
    Indicator(
        name="analyzer", title="Analyzer errors", among=Among.RECORDS, rules=frozenset({"analyzer.fault", "pad.error"}),
        counts="with an error in place of a strip or a pad",
    ),
    Indicator(
        name="unreadable", title="Could not be read", among=Among.RECORDS,
        counts="whose bytes gave no strip",
    ),
    Indicator(
        name="operator", title="Operator not known or out of date", among=Among.PATIENTS, rules=frozenset({"operator.unknown", "operator.expired"}),
        counts="with an operator's number that was nobody's on that day, or whose training was due",
    ),
    Indicator(
        name="shared", title="Number used by another", among=Among.PATIENTS, rules=frozenset({"operator.elsewhere"}),
        counts="with a number that was used at two analyzers within two minutes",
    ),
    Indicator(
        name="container", title="Strips expired or not entered", among=Among.PATIENTS,
        rules=frozenset({"container.expired", "container.open_too_long", "container.unknown", "container.new_lot"}),
        counts="of a lot that was past its day, open for too long, not accepted, or of no container that was entered",
    ),
    Indicator(name="copies", title="Sent more than once", among=Among.ALL_RECORDS, counts="that were copies of a strip which had come before"),
    Indicator(
        name="conflict", title="A number with two contents", among=Among.RECORDS, rules=frozenset({"copy.conflict"}),
        counts="whose number had come before with other content",
    ),
    Indicator(name="missing", title="Never arrived", among=Among.NUMBERS, counts="that never arrived and that nobody accounted for"),
    Indicator(name="waiting", title="Not settled", among=Among.PATIENTS, counts="that still wait for a person or for controls"),
    Indicator(
        name="specimen", title="Specimen too old", among=Among.PATIENTS, rules=frozenset({"specimen.too_old", "specimen.collected_later"}),
        counts="of a specimen that was older than the site's limit, or said to be collected after it was read",
    ),
)  # fmt: skip

# Of the same list, and why there is no figure
NOT_COUNTED: tuple[tuple[str, str], ...] = (
    ("Wrong comment", "nothing that is stored says which comment would have been right"),
    ("Wrong type of specimen", "nothing that is stored says what was in the cup"),
    ("Typed in besides", "whether a result was also typed into a record is known there alone"),
)

_WAITING = frozenset({"held", "rejected", "waiting"})  # outcomes as store.rows.StripRow has them


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """An indicator's figure; ``is_checked``: the site has the check, or had it when something was found. ``interval`` is Wilson's (see charts.wilson), None of nothing."""

    indicator: Indicator
    found: int
    n: int
    is_checked: bool = True

    @property
    def interval(self) -> Interval | None:
        """Give the 95 % interval of the share; None of what nobody checks, since a zero would read as none at fault."""
        return wilson(self.found, self.n) if self.n and self.is_checked else None


def sums_of(strips: Iterable[Handled]) -> Counter[str]:
    """Count what strips say, by the indicator's name and by what it is a share of. Sums of days add up."""
    sums: Counter[str] = Counter()
    for strip in strips:
        sums[Among.ALL_RECORDS] += 1
        if strip.outcome == "copy":
            sums["copies"] += 1
            continue
        sums[Among.RECORDS] += 1
        is_patients = strip.purpose is Purpose.PATIENT and strip.outcome != "unreadable"
        sums[Among.PATIENTS] += is_patients
        sums["unreadable"] += strip.outcome == "unreadable"
        sums["waiting"] += is_patients and strip.outcome in _WAITING
        if strip.rules:
            for each in INDICATORS:
                counts = is_patients or each.among is Among.RECORDS
                sums[each.name] += counts and not each.rules.isdisjoint(strip.rules)
    return sums


def figures_of(
    sums: Mapping[str, int], beside: Mapping[str, tuple[int, int]], *, unchecked: Collection[str] = ()
) -> tuple[Figure, ...]:
    """Give every figure, in the order of INDICATORS. ``beside`` is what is counted elsewhere: found and of how many, by the indicator's name.

    ``unchecked`` names what this site has not switched on: with nothing found it has no share, since nobody looked. What was found before stands.
    """
    found = []
    for each in INDICATORS:
        count, n = beside.get(each.name, (sums.get(each.name, 0), sums.get(each.among, 0)))
        found.append(Figure(indicator=each, found=count, n=n, is_checked=count > 0 or each.name not in unchecked))
    return tuple(found)
