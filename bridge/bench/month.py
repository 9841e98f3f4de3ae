"""A month of controls of one analyzer and strip type, for a named person to review: what was due and done, what failed and what followed.

Counts and steps only: there is no mean, standard deviation, z or kappa of grades (charts.py). A month is made anew from what was kept each
time it is looked at; what a person signed is kept as it stood then, with its digest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from pydantic import TypeAdapter

from bridge.bench.charts import ControlledPad, Counts, Side, drift, pad_charts
from bridge.bench.controls import RunVerdict
from bridge.bench.gate import GateEvent, Seat
from bridge.bench.look_back import Verdict
from bridge.bench.month_due import BY_COUNT, DueSet, GateHours, Line, Use, due_sets, gate_hours
from bridge.bench.run_text import KeptRun
from bridge.model import Actor, GateState
from bridge.tables.control_table import DriftRule, GatePolicy

BEFORE = timedelta(days=92)  # ours: twenty runs lie in a quarter of a year wherever controls are read weekly
BEHIND = timedelta(days=31)  # ours: a failure that nobody put right for a month is told as never put right
MOST_RUNS = 6  # ours: a repeat and two sets of two levels, with one to spare
VERSION = 1  # of what a signature keeps; another shape is another number


# --- what is known of the month: given by the store


@dataclass(frozen=True, kw_only=True, slots=True)
class Happened:
    """One line of a gate's history. ``run`` is None for a person's word; ``is_set``: a control that completed a set that counts."""

    line_id: int
    at: datetime
    seat: Seat
    strip_lot: str
    what: str
    before: GateState
    after: GateState
    level: str
    run: KeptRun | None
    is_set: bool
    by: Actor
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Action:
    """A corrective action that a person wrote beside a control that failed."""

    line_id: int
    text: str
    by: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Release:
    """A result that a person let go before its controls were right."""

    strip_id: int
    number: str
    strip_lot: str
    by: Actor
    at: datetime
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Reviewed:
    """A result that went before a control failed, and what a person decided about it; ``verdict`` None while nobody has."""

    strip_id: int
    number: str
    strip_lot: str
    failed_at: datetime
    verdict: Verdict | None
    by: Actor | None
    at: datetime | None
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Opened:
    """A container of strips: when it was opened at the analyzer, and the last day of its lot."""

    strip_lot: str
    opened_at: datetime
    expires: date


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """All that is known of a month. ``history`` goes on behind the month, for what followed its failures, and begins before it, for drift; oldest first.

    ``stood`` is how each gate (by strip lot) stood when ``history`` began, START where it is not named.
    """

    history: Sequence[Happened]
    uses: Sequence[Use]
    stood: Mapping[str, GateState]
    actions: Sequence[Action] = ()
    releases: Sequence[Release] = ()
    reviewed: Sequence[Reviewed] = ()
    containers: Sequence[Opened] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """From where on the history is told, for drift, and until where, for what followed a failure."""

    since: datetime
    until: datetime


# --- the month


@dataclass(frozen=True, kw_only=True, slots=True)
class Month:
    """Which month of what: the first day, and the instants (UTC) at which its first control day begins and its last one ends."""

    analyzer: str
    strip_type: str
    first: date
    begins: datetime
    ends: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class StripLot:
    """A lot of strips that was used: patients' strips and controls of it, its last day where a container says so, and when containers were opened."""

    lot: str
    strips: int
    runs: int
    expires: date | None
    opened: tuple[datetime, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class UsedLot:
    """A lot of control material that was read, and how its runs came out."""

    material: str
    level: str
    lot: str
    passed: int
    failed: int
    not_counted: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Followed:
    """What followed a failure: a person's word with its reason, or another run (``by`` the service) with its level."""

    at: datetime
    what: str
    level: str
    by: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Failure:
    """A control that failed, the pads that were off, what followed until results might go again (``open_at``, None if they never did).

    ``followed`` has every word, and the first runs, up to the next that failed; ``more`` counts the runs that are left out.
    """

    line_id: int
    at: datetime
    strip_lot: str
    level: str
    lot: str
    pads: tuple[str, ...]
    followed: tuple[Followed, ...]
    more: int
    open_at: datetime | None
    actions: tuple[Action, ...]

    @property
    def is_explained(self) -> bool:
        """Say whether a person wrote anything of it: why it was repeated, what was put right, or a corrective action."""
        return bool(self.actions) or any(each.text for each in self.followed)


@dataclass(frozen=True, kw_only=True, slots=True)
class PadMonth:
    """One pad, level and lot of control material: its counts in the month. ``drift`` is told of the last runs of all lots at the month's end."""

    pad: str
    level: str
    lot: str
    counts: Counts
    drift: Side | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Review:
    """The month as it stands. ``runs`` are the ids of the lines of controls that it counts; ``noted``: sent before controls were right, by the site's policy."""

    version: int
    month: Month
    strip_lots: tuple[StripLot, ...]
    control_lots: tuple[UsedLot, ...]
    sets: tuple[DueSet, ...]
    runs: tuple[int, ...]
    failures: tuple[Failure, ...]
    pads: tuple[PadMonth, ...]
    releases: tuple[Release, ...]
    reviewed: tuple[Reviewed, ...]
    hours: tuple[GateHours, ...]
    noted: int

    @property
    def asked(self) -> int:
        """Count the sets that were due."""
        return sum(each.is_asked for each in self.sets)

    @property
    def done(self) -> int:
        """Count the sets that were due and done."""
        return sum(each.is_asked and each.done_at is not None for each in self.sets)

    @property
    def besides(self) -> int:
        """Count the sets that were done though none was due."""
        return sum(not each.is_asked for each in self.sets)

    @property
    def missed(self) -> tuple[DueSet, ...]:
        """Give the sets that were due and never done."""
        return tuple(each for each in self.sets if each.is_missed)

    @property
    def late(self) -> tuple[DueSet, ...]:
        """Give the sets that were done behind patients' strips which were read while they were due."""
        return tuple(each for each in self.sets if each.is_asked and each.done_at is not None and each.strips_before)

    @property
    def unexplained(self) -> tuple[Failure, ...]:
        """Give the failures of which nobody wrote anything."""
        return tuple(each for each in self.failures if not each.is_explained)

    @property
    def undecided(self) -> int:
        """Count the results of look-backs that nobody has decided about."""
        return sum(each.verdict is None for each in self.reviewed)

    @property
    def drifting(self) -> tuple[PadMonth, ...]:
        """Give pads and levels that lie off on one side too often; each once."""
        return tuple({(each.pad, each.level): each for each in self.pads if each.drift}.values())


def month_of(analyzer: str, strip_type: str, first: date, policy: GatePolicy) -> Month:
    """Give the month that ``first`` is the first day of: its control days, from the site's hour on that day. Raises ValueError for another day."""
    if first.day != 1:
        raise ValueError(f"{first} is not the first day of a month")
    following = (first + timedelta(days=31)).replace(day=1)
    begins, ends = (datetime.combine(day, policy.day_starts, tzinfo=policy.zone).astimezone(UTC) for day in (first, following))
    return Month(analyzer=analyzer, strip_type=strip_type, first=first, begins=begins, ends=ends)


def window_of(month: Month) -> Window:
    """Give what is asked for around a month: runs before it for drift, and what followed its failures."""
    return Window(since=month.begins - BEFORE, until=month.ends + BEHIND)


def review_of(month: Month, facts: Facts, policy: GatePolicy, rule: DriftRule, *, now: datetime) -> Review:
    """Make a month's review out of what is known."""
    ends = min(month.ends, now)
    inside = [each for each in facts.history if month.begins <= each.at < month.ends]
    lots = sorted({*(each.strip_lot for each in inside), *(use.strip_lot for use in facts.uses)})
    gates = [_gate(lot, month, ends, facts, policy) for lot in lots]
    return Review(
        version=VERSION,
        month=month,
        strip_lots=tuple(_strip_lot(lot, inside, facts) for lot in lots),
        control_lots=_control_lots(inside),
        sets=tuple(sorted((each for sets, _ in gates for each in sets), key=lambda each: (each.at, each.strip_lot))),
        runs=tuple(each.line_id for each in inside if each.run is not None),
        failures=tuple(_failure(each, facts) for each in inside if each.what == RunVerdict.FAILED),
        pads=_pads(month, facts.history, rule),
        releases=tuple(facts.releases),
        reviewed=tuple(facts.reviewed),
        hours=tuple(hours for _, hours in gates),
        noted=sum(use.noted for use in facts.uses),
    )


def _gate(lot: str, month: Month, ends: datetime, facts: Facts, policy: GatePolicy) -> tuple[tuple[DueSet, ...], GateHours]:
    """Reckon one gate's sets, and its hours from its first happening to its last (to the month's end where it stood in use or failed)."""
    stood = facts.stood.get(lot, GateState.START)
    for each in facts.history:
        if each.strip_lot == lot and each.at < month.begins:
            stood = each.after
    lines = [_line(each) for each in facts.history if each.strip_lot == lot and month.begins <= each.at < ends]
    uses = [use for use in facts.uses if use.strip_lot == lot]
    sets = due_sets(lot, lines, uses, stood=stood, between=(month.begins, ends), policy=policy)
    moments = sorted([*(line.at for line in lines), *(use.at for use in uses)])
    last = lines[-1].after if lines else stood
    window = (
        month.begins if stood is not GateState.START else moments[0],
        ends if last.is_failure else moments[-1],
    )
    counted = [each.at for each in sets if BY_COUNT in each.why]
    return sets, gate_hours(lot, lines, counted=counted, stood=stood, between=window, policy=policy)


def _line(each: Happened) -> Line:
    word = GateEvent[each.what.upper()] if each.run is None else None
    return Line(at=each.at, before=each.before, after=each.after, is_set=each.is_set, what=word, reason=each.reason)


def _strip_lot(lot: str, inside: Iterable[Happened], facts: Facts) -> StripLot:
    containers = [each for each in facts.containers if each.strip_lot == lot]
    return StripLot(
        lot=lot,
        strips=sum(use.strips for use in facts.uses if use.strip_lot == lot),
        runs=sum(each.strip_lot == lot and each.run is not None for each in inside),
        expires=max((each.expires for each in containers), default=None),
        opened=tuple(sorted(each.opened_at for each in containers)),
    )


def _control_lots(inside: Iterable[Happened]) -> tuple[UsedLot, ...]:
    counts: dict[tuple[str, str, str], list[str]] = {}
    for each in inside:
        if each.run is not None:
            counts.setdefault((each.run.level, each.run.lot, each.run.material), []).append(each.what)
    return tuple(
        UsedLot(
            material=material,
            level=level,
            lot=lot,
            passed=found.count(RunVerdict.PASSED),
            failed=found.count(RunVerdict.FAILED),
            not_counted=found.count(RunVerdict.NOT_COUNTED),
        )
        for (level, lot, material), found in sorted(counts.items())
    )


def _failure(failed: Happened, facts: Facts) -> Failure:
    """Give a failure with what followed at its gate, up to and with what opened it again."""
    run = failed.run
    behind = _until_open(failed, facts.history)
    open_at = behind[-1].at if behind and behind[-1].after.may_go else None
    told = _told(behind)
    return Failure(
        line_id=failed.line_id,
        at=failed.at,
        strip_lot=failed.strip_lot,
        level=failed.level,
        lot=run.lot if run else "",
        pads=tuple(each.pad for each in run.pads if each.offset or each.observed is None) if run else (),
        followed=tuple(_followed(each) for each in told),
        more=len(behind) - len(told),
        open_at=open_at,
        actions=tuple(each for each in facts.actions if each.line_id == failed.line_id),
    )


def _until_open(failed: Happened, history: Iterable[Happened]) -> list[Happened]:
    """Give what happened to a gate behind a failure, up to and with what opened it again."""
    found = []
    for each in history:
        if each.strip_lot == failed.strip_lot and (each.at, each.line_id) > (failed.at, failed.line_id):
            found.append(each)
            if each.after.may_go:
                break
    return found


def _told(behind: Iterable[Happened]) -> list[Happened]:
    """Choose what is told of it: every word, what opened the gate, and the first runs, up to one that failed, which is told of by itself."""
    told: list[Happened] = []
    runs, failed_again = 0, False
    for each in behind:
        if each.run is None or each.after.may_go or (runs < MOST_RUNS and not failed_again):
            told.append(each)
        runs += each.run is not None
        failed_again = failed_again or each.what == RunVerdict.FAILED
    return told


def _followed(each: Happened) -> Followed:
    is_word = each.run is None
    return Followed(
        at=each.at, what=each.what, level=each.level, by=each.by.name if is_word else "", text=each.reason if is_word else ""
    )


def _pads(month: Month, history: Iterable[Happened], rule: DriftRule) -> tuple[PadMonth, ...]:
    points = [
        ControlledPad(at=each.at, strip_id=each.line_id, pad=pad.pad, level=each.run.level, lot=each.run.lot, offset=pad.offset)
        for each in history
        if each.run is not None and each.at < month.ends and each.what in {RunVerdict.PASSED, RunVerdict.FAILED}
        for pad in each.run.pads
        if pad.offset is not None
    ]
    inside = pad_charts((point for point in points if point.at >= month.begins), rule)
    last = {(chart.pad, chart.level): drift([point.offset for point in chart.points], rule) for chart in pad_charts(points, rule)}
    return tuple(
        PadMonth(pad=chart.pad, level=chart.level, lot=lot, counts=counts, drift=last[chart.pad, chart.level])
        for chart in inside
        for lot, counts in chart.by_lot.items()
    )


# What of a month may be not settled: of one, and of several
LEFT = (
    ("set of controls that was due was not done", "sets of controls that were due were not done"),
    ("failure nobody wrote anything of", "failures nobody wrote anything of"),
    ("failure that no set followed which opened its gate again", "failures that no set followed which opened their gate again"),
    ("result of a look-back nobody has decided about", "results of look-backs nobody has decided about"),
    ("pad and level off on one side too often", "pads and levels off on one side too often"),
)
Counted = tuple[int, tuple[str, str]]  # so many, and the words for one and for several


def counts_left(review: Review) -> tuple[Counted, ...]:
    """Count what of a month is not settled, each with its words of ``LEFT``."""
    counts = (
        len(review.missed),
        len(review.unexplained),
        sum(each.open_at is None for each in review.failures),
        review.undecided,
        len(review.drifting),
    )
    return tuple((count, words) for count, words in zip(counts, LEFT, strict=True) if count)


def things_left(review: Review) -> tuple[str, ...]:
    """Say in words what of a month is not settled, each with its count."""
    return tuple(f"{count} {one if count == 1 else many}" for count, (one, many) in counts_left(review))


# --- what is kept of a signature


_SHAPE = TypeAdapter(Review)


def content_of(review: Review) -> str:
    """Write a review as one text, the same for the same review."""
    return _SHAPE.dump_json(review).decode()


def review_from(content: str) -> Review:
    """Read what ``content_of`` wrote. Raises ValueError for anything else."""
    return _SHAPE.validate_json(content)


def digest_of(content: str) -> str:
    """Give the SHA-256 of a review's text, in hexadecimal."""
    return hashlib.sha256(content.encode()).hexdigest()


# What of a month may be otherwise than it was signed: of one, and of several
LATER = (
    ("control run", "control runs"),
    ("failure, or word on one", "failures, or words on them"),
    ("set that was due", "sets that were due"),
    ("emergency release", "emergency releases"),
    ("decision on a result of a look-back", "decisions on results of look-backs"),
    ("lot of strips", "lots of strips"),
    ("lot of control material", "lots of control material"),
    ("pad's counts", "pads' counts"),
)


def counts_since_signing(signed: Review, now: Review) -> tuple[Counted, ...]:
    """Count what of a month is not as it was signed, each with its words of ``LATER``; none where it is other figures alone."""
    counts = (
        len({*now.runs} - {*signed.runs}),
        _new(signed.failures, now.failures),
        _new(signed.sets, now.sets),
        _new(signed.releases, now.releases),
        _new(signed.reviewed, now.reviewed),
        _new(signed.strip_lots, now.strip_lots),
        _new(signed.control_lots, now.control_lots),
        _new(signed.pads, now.pads),
    )
    return tuple((count, words) for count, words in zip(counts, LATER, strict=True) if count)


def _new(signed: Iterable[object], now: Iterable[object]) -> int:
    """Count what is now and was not, or was otherwise."""
    known = list(signed)
    return sum(each not in known for each in now)


def length_words(length: timedelta) -> str:
    """Say a length of time in hours and minutes: ``7 h 05 min``."""
    minutes = round(length.total_seconds() / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"
