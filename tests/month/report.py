"""The month, played and compared with its truth and with the oracles; and its page."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import cast

from bridge.bench.charts import ControlledPad, Side, drift, pad_charts, wilson
from bridge.bench.controls import RunVerdict
from bridge.bench.gaps import Gap
from bridge.bench.run_text import kept_run
from bridge.desk.numbers import missing_numbers
from bridge.store.api import Store
from bridge.store.sqlite import SqliteStore
from tests.bench.controls_for_tests import compiled
from tests.bench.judged import LOTS
from tests.month.oracles import Tail, alike, doubted, drifts, tail, together
from tests.month.plan import DRIFT_FROM, FIRST, MOIST_FROM, Month, Strip, month
from tests.month.played import PROFILES, Judged, Look, Played
from tests.month.seeds import FILES, KINDS, LINE

PAGE = Path(__file__).parents[2] / "docs/explanation/month.md"
SIDES = {-1: Side.LOW, 0: None, 1: Side.HIGH}
LEVELS = {code: level for level, code in LOTS.items()}
# seeds that leave nitrite or leucocytes not understood, or the strip to another container
NOT_COUNTED = frozenset(
    {"other unit system", "wrong strip type set", "other language", "day and month swapped", "lot nobody entered"}
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Drifted:
    """One pad of one level at one analyzer: after each run, what the product says of a drift and what the oracle says."""

    analyzer: str
    level: str
    pad: str
    said: tuple[Side | None, ...]
    expected: tuple[Side | None, ...]

    @property
    def is_seeded(self) -> bool:
        """Say whether this is the pad that was made to drift."""
        return (self.analyzer, self.level, self.pad) == (FILES, "2", "leukocytes")


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """A container at the end of a day: what stands there, and what the oracle reckons."""

    look: Look
    expected: Tail

    @property
    def is_moist(self) -> bool:
        """Say whether it is the container that stood open, on a day on which it had."""
        day = (self.look.at.date() - FIRST).days + 1
        opened = (self.look.opened_at.date() - FIRST).days + 1
        return self.look.analyzer == LINE and opened < MOIST_FROM <= day and opened > 1


class Compared:
    """The month as judged, beside its truth. The store is open while it is looked at."""

    def __init__(self, store: SqliteStore, plan: Month) -> None:
        self.plan = plan
        self.played = Played(store, plan)
        self.missing = dict(self._missing(store))
        self.looked_back = sorted(
            (row.strip.analyzer, int(row.strip.number.lstrip("NC")))
            for row in cast("Store", store).look_backs(is_open=True, limit=500)
        )
        self.drifted = tuple(self._drifted(store))

    @property
    def judged(self) -> Sequence[Judged]:
        """Give what became of each strip, in the order of arrival."""
        return self.played.judged

    @cached_property
    def doubted(self) -> set[int]:
        """Give the numbers of the line's strips whose clock the oracle doubts."""
        return doubted([(each.strip, each.outcome) for each in self.judged])

    def expected(self, strip: Strip) -> frozenset[str]:
        """Give every rule that a strip must name: its truth, and what the oracles reckon."""
        by_clock = {"time.clock_off"} if strip.analyzer == LINE and strip.play.number in self.doubted else set()
        place = strip.analyzer, strip.play.number
        return strip.rules | by_clock | together(strip) | self.alike.get(place, set())

    @cached_property
    def alike(self) -> dict[tuple[str, int], set[str]]:
        """Give the strips that look like the one before them, by the oracle."""
        return alike(self.plan.strips)

    @cached_property
    def differences(self) -> tuple[str, ...]:
        """Give each strip that was judged otherwise than it must be, in words."""
        return tuple(self._differences())

    def _differences(self) -> Iterator[str]:
        for each in self.judged:
            strip, rules = each.strip, self.expected(each.strip)
            stops = {rule for rule in rules if not rule.startswith("plausible.")} - {"mark.disagrees"}
            outcome = "held" if strip.outcome == "coded" and stops else strip.outcome
            if (each.outcome, each.rules) != (outcome, rules):
                where = f"{strip.analyzer} {strip.play.number} ({strip.seed or 'clean'})"
                yield f"{where}: {each.outcome} {sorted(each.rules)}, expected {outcome} {sorted(rules)}"

    @cached_property
    def clean(self) -> tuple[Judged, ...]:
        """Give the strips of patients in which nothing was seeded."""
        return tuple(each for each in self.judged if not each.strip.seed and each.strip.play.word == "N")

    @cached_property
    def clean_held(self) -> tuple[Judged, ...]:
        """Give those of them that did not go."""
        return tuple(each for each in self.clean if each.outcome != "coded")

    def expected_look_back(self) -> list[tuple[str, int]]:
        """Give what was sent on the day of a failure before it, by the truth."""
        found = []
        for analyzer, day, place in ((LINE, 30, 31), (FILES, 12, 40)):
            own = [
                each
                for each in self.judged
                if each.strip.analyzer == analyzer and _day(each.strip) == day and each.strip.play.word == "N"
            ]
            found += [(analyzer, each.strip.play.number) for each in own[: place - 1] if each.outcome == "coded"]
        return sorted(found)

    def looked(self) -> tuple[Looked, ...]:
        """Give every container at the end of every day."""
        return tuple(Looked(look=look, expected=tail(self._of(look), share=0.05)) for look in self.played.looks if self._of(look))

    def _of(self, look: Look) -> list[Strip]:
        return [
            each.strip
            for each in self.judged
            if (each.strip.analyzer, each.strip.play.lot, each.strip.play.word) == (look.analyzer, look.lot, "N")
            and look.opened_at <= each.strip.arrives_at <= look.at
            and each.outcome in {"coded", "held", "rejected", "waiting"}
            and each.strip.seed not in NOT_COUNTED
            and not each.strip.fault
            and "message.processing_id" not in each.strip.rules
        ]

    def _missing(self, store: SqliteStore) -> Iterator[tuple[str, frozenset[int]]]:
        for analyzer, profile in PROFILES.items():
            gaps = missing_numbers(
                cast("Store", store), {analyzer: self.played.tables.profiles[profile].numbers}, now=self.played.now
            )
            yield analyzer, frozenset(number for gap in gaps if gap.analyzer == analyzer for number in _numbers(gap))

    def _drifted(self, store: SqliteStore) -> Iterator[Drifted]:
        rule = self.played.tables.controls.drift
        events = [
            each for each in cast("Store", store).gate_events(limit=10_000) if each.what in (RunVerdict.PASSED, RunVerdict.FAILED)
        ]
        for analyzer in PROFILES:
            points = [
                ControlledPad(at=each.at, strip_id=each.event_id, pad=pad.pad, level=run.level, lot=run.lot, offset=pad.offset)
                for each in events
                if each.key.analyzer == analyzer
                for run in [kept_run(each.run)]
                for pad in run.pads
                if pad.offset is not None
            ]
            for chart in pad_charts(points, rule):
                offsets = [point.offset for point in chart.points]
                said = tuple(drift(offsets[:end], rule) for end in range(1, len(offsets) + 1))
                expected = tuple(SIDES[side] for side in drifts(list(self._offsets(analyzer, chart.level, chart.pad))))
                yield Drifted(analyzer=analyzer, level=chart.level, pad=chart.pad, said=said, expected=expected)

    def _offsets(self, analyzer: str, level: str, pad: str) -> Iterator[int]:
        """Give how far each control that counted was off, by what was played and what its insert expects."""
        (lot,) = (each for each in compiled().lots if each.level == level)
        (ranks,) = (each.ranks for each in lot.expected if each.pad == pad)
        for strip in self.plan.strips:
            is_one = strip.analyzer == analyzer and strip.play.word == "C" and LEVELS[strip.play.specimen_id] == level
            if is_one and strip.outcome == "non_patient":
                seen = strip.play.ranks.get(pad, 0)
                yield min(0, seen - min(ranks)) + max(0, seen - max(ranks))


def _day(strip: Strip) -> int:
    return (strip.arrives_at.date() - FIRST).days + 1


def _numbers(gap: Gap) -> range:
    return range(gap.first, gap.last + 1)


def compared() -> Compared:
    """Play the month in a folder of its own, and compare."""
    plan = month()
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder), now=lambda: plan.happens[0].arrives_at)
        try:
            return Compared(store, plan)
        finally:
            store.close()


# --- the page


def page(found: Compared) -> str:
    """Give docs/explanation/month.md."""
    return "".join(_parts(found))


def _parts(found: Compared) -> Iterator[str]:
    strips = found.plan.strips
    yield f"""# A simulated month

Two analyzers, three lots of strips, two lots of controls, {len(strips):,} strips from 1 to 31 October 2026 (a month in which Lisbon's clocks went back): through real bytes of the shipped
profiles *brook* (a live line) and *brook-file* (files), the real judging and a real store, at a site that has everything switched on. Patients are invented, most of their pads negative. Faults stand at known places, each
of a row of the [hazard table](../hazards.md). `python -m tests.month` plays it and prints what follows; with `--write` it writes this page, which a test compares.

**What it does not show.** The population is invented, so the shares of strips that are held say how the rules behave, not how many strips your laboratory will see held.

## What was seeded, and what was found of it

Every strip of the month is compared with its truth: outcome and rules, no more and no fewer. {_differ(found)}

| fault | row | strips | what its strips came to |
| --- | --- | --- | --- |
"""
    yield from _seed_rows(found)
    yield f"""
Numbers that never arrived: {sum(map(len, found.missing.values())):,} listed, {_same(found.missing == dict(found.plan.missing))}.
Sent before a control failed: {len(found.looked_back)} results to be looked at again after two failures, {_same(found.looked_back == found.expected_look_back())}.

## What is told by figures

"""
    yield from _clock_lines(found)
    yield from _drift_lines(found)
    yield from _container_lines(found)
    yield from _note_lines(found)
    yield from _clean_lines(found)


def _differ(found: Compared) -> str:
    return "None differs." if not found.differences else f"{len(found.differences)} differ."


def _same(is_same: bool) -> str:
    return "just those" if is_same else "NOT those that should be"


def _seed_rows(found: Compared) -> Iterator[str]:
    kinds = {**{kind: row for kind, (row, _) in KINDS.items()}, "new lot": "HZ-C05"}
    for kind, row in kinds.items():
        own = [each for each in found.judged if each.strip.seed == kind]
        ends = dict.fromkeys(f"{each.outcome}{_rules(each)}" for each in own)
        yield f"| {kind} | {row} | {len(own) or 'none: numbers alone'} | {'; '.join(ends)} |\n"


def _rules(each: Judged) -> str:
    rules = [f"`{rule}`" for rule in sorted(each.rules) if not rule.startswith("plausible.")]
    return f" ({', '.join(rules)})" if rules else ""


def _clock_lines(found: Compared) -> Iterator[str]:
    right = [each for each in found.judged if each.strip.analyzer == LINE and each.strip.seed != "clock twenty minutes behind"]
    false = [each for each in right if "time.clock_off" in each.rules]
    held = [each for each in found.judged if "time.clock_off" in each.rules]
    yield (
        f"**The clock's median.** Twenty minutes behind for 12 strips: {len(held)} of them held, those that an oracle doubts (the median of the last five, "
        f"reckoned with the standard library). False: {len(false)} of {len(right):,} strips of the line read under a right clock.\n\n"
    )


def _drift_lines(found: Compared) -> Iterator[str]:
    agree = all(each.said == each.expected for each in found.drifted)
    seeded = next(each for each in found.drifted if each.is_seeded)
    others = [each for each in found.drifted if not each.is_seeded]
    before = sum(1 for each in found.plan.strips if _is_early_control(each))
    first = next((number for number, side in enumerate(seeded.said, 1) if side), None)
    false = sum(any(each.said) for each in others)
    told = f"told {first - before} runs after it began" if first is not None else "not told"
    yield (
        f"**Controls that drift** (3 of the last 20 runs off on one side). After each of {sum(len(each.said) for each in found.drifted):,} looks at {len(found.drifted)} charts what is said equals "
        f"what an oracle counts from what was played: {'yes' if agree else 'NO'}. Leucocytes of the positive control, made to read a step high in 30 % of runs from day {DRIFT_FROM}: {told}. "
        f"False: {false} of {len(others)} charts without a drift ever warned, one of them with 2 % of its runs off by chance on either side (expected in 0.7 % of windows: [controls](../controls.md)).\n\n"
    )


def _is_early_control(strip: Strip) -> bool:
    is_one = strip.analyzer == FILES and strip.play.word == "C" and LEVELS[strip.play.specimen_id] == "2"
    return is_one and _day(strip) < DRIFT_FROM


def _container_lines(found: Compared) -> Iterator[str]:
    looked = found.looked()
    agree = all(_agree(each) for each in looked)
    moist = [each for each in looked if each.is_moist]
    first = next((each for each in moist if each.expected.is_alarm), None)
    good = [each for each in looked if not each.is_moist]
    false = sum(each.look.suspicion is not None and each.look.suspicion.is_alarm for each in good)
    told = f"told on the evening of day {(first.look.at.date() - FIRST).days + 1}" if first else "not told"
    yield (
        f"**A container that stood open** (nitrite without leucocytes, above 5 %, p below 0.01). Counts and probabilities at {len(looked)} looks in the evening equal SciPy's binomial test of what was played: "
        f"{'yes' if agree else 'NO'}. The one that stood open from day {MOIST_FROM}: {told}. False: {false} alarms at {len(good)} looks at good containers.\n\n"
    )


def _agree(each: Looked) -> bool:
    said, expected = each.look.suspicion, each.expected
    return (
        said is not None
        and (said.found, said.n, said.is_alarm) == (expected.found, expected.n, expected.is_alarm)
        and abs(said.chance - expected.chance) <= 1e-9
    )


def _note_lines(found: Compared) -> Iterator[str]:
    noted = Counter(rule for each in found.clean for rule in each.rules if rule.startswith("plausible."))
    share = sum(any(rule in noted for rule in each.rules) for each in found.clean) / len(found.clean)
    listed = ", ".join(f"`{rule}` {count}" for rule, count in sorted(noted.items()))
    yield (
        f"**What pads say together** stops nothing. {share:.1%} of clean strips bear such a note, each where the words of [holds](../holds.md) and the steps that were played say so: {listed}.\n\n"
    )


def _clean_lines(found: Compared) -> Iterator[str]:
    held, n = len(found.clean_held), len(found.clean)
    interval = wilson(held, n)
    yield (
        f"## Clean strips that were held\n\n{held} of {n:,} strips of patients in which nothing was seeded did not go: {held / n:.2%} "
        f"(95 % interval {interval.low:.2%} to {interval.high:.2%}).\n"
    )
    if held:
        yield "\n| analyzer | number | held for |\n| --- | --- | --- |\n"
    yield from (
        f"| {each.strip.analyzer} | {each.strip.play.number} | {', '.join(f'`{rule}`' for rule in sorted(each.rules))} |\n"
        for each in found.clean_held
    )
