"""A month of two analyzers as it will happen: every strip with its bytes' content and the truth about it, and what people do between the strips.

Invented, and the same each time (a fixed seed). Faults stand at known places; each is of a row of the hazard table.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from bridge.demo.printers import Play
from tests.bench.judged import LOTS, SOUND
from tests.month.seeds import FILES, LINE, SEEDS, STRIP_LOTS, Seed, luhn
from tests.tables.shipped_tables import ZONE

FIRST = date(2026, 10, 1)  # a month with a change of the clocks in it
DAYS = 31
PATIENTS = 62  # strips of patients that an analyzer reads each day; with two controls each and what is seeded, some 4,000
CHANGE_NIGHT = 25  # 2026-10-25, Lisbon: from 02:00 back to 01:00 (tz database)
EXPIRES = {"first": "2027-03-31", "second": "2027-05-31", "third": "2026-10-29"}
OPEN_DAYS = 20
MOIST_FROM, MOIST_UNTIL = 14, 20  # days on which the second container of the line's analyzer stood open
MOIST_SHARE = 1 / 3  # of nitrite pads falsely positive after a week in the open (Gallagher et al., Am J Emerg Med 1990;8:121)
DRIFT_FROM = 15  # the day from which the files' analyzer reads leucocytes a step high too often
DRIFT_SHARE, NOISE = 0.3, 0.02  # hazards.csv HZ-E09: 30 % off, against 2 % by chance on either side


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """One strip: how it arrives, and the truth. ``changes`` are made to the printed text; ``keep`` cuts the transmission to that share.

    ``rules`` are those that its first judgement must name, apart from the clock's, which an oracle reckons; ``true_at`` is when it was read.
    """

    arrives_at: datetime
    true_at: datetime
    analyzer: str
    play: Play
    seed: str = ""
    hazard: str = ""
    outcome: str = "coded"
    rules: frozenset[str] = frozenset()
    changes: tuple[tuple[str, str], ...] = ()
    fault: str = ""
    keep: float = 1.0
    is_looked_at: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Act:
    """Something that a person does: ``what`` is one of open, close, accept, explain, mend, room (with the ``degrees`` Celsius that were measured)."""

    arrives_at: datetime
    analyzer: str
    what: str
    lot: str = ""
    degrees: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Month:
    """Everything that happens, in the order of arrival, and the numbers that will be missing, by analyzer."""

    happens: tuple[Strip | Act, ...]
    missing: Mapping[str, frozenset[int]]

    @property
    def strips(self) -> tuple[Strip, ...]:
        """Give the strips alone."""
        return tuple(each for each in self.happens if isinstance(each, Strip))


@dataclass
class Bench:
    """One analyzer as the month goes on; ``clock`` is how far it is ahead."""

    analyzer: str
    chance: random.Random
    patients_from: int
    lot: str
    operator: str = "07"
    number: int = 0
    clock: timedelta = timedelta()
    at: datetime = datetime.min
    happens: list[Strip | Act] = field(default_factory=list)
    missing: set[int] = field(default_factory=set)
    patients: int = 0

    @property
    def last(self) -> Strip:
        """Give the strip that was read last."""
        return next(each for each in reversed(self.happens) if isinstance(each, Strip))

    def begin(self, day: int, clock: time) -> None:
        """Go to a time of a day of the month."""
        self.at = datetime.combine(FIRST + timedelta(days=day - 1), clock, tzinfo=ZONE).astimezone(UTC)

    def wait(self, minutes: float) -> None:
        """Let time pass."""
        self.at += timedelta(minutes=minutes)

    def strip(self, **more: object) -> Strip:
        """Make up the next patient's strip; a clean one unless told otherwise."""
        self.patients += 1
        patient_id = luhn(f"{self.patients_from + self.patients:07d}")
        return self.made(
            Play(number=self._next(), at=self._printed(), patient_id=patient_id, ranks=self._ranks(), **self._fields()), **more
        )

    def made(self, play: Play, **more: object) -> Strip:
        """Give a strip of what was printed now."""
        lag = timedelta(seconds=self.chance.uniform(20, 40) if self.analyzer == LINE else self.chance.uniform(60, 100))
        fields: dict[str, object] = {"arrives_at": self.at + lag, "true_at": self.at, "analyzer": self.analyzer, "play": play}
        return Strip(**{**fields, **more})  # type: ignore[arg-type] # a strip's own fields, of several types

    def reads(self, strip: Strip) -> Strip:
        """Let a strip be read."""
        self.happens.append(strip)
        return strip

    def act(self, what: str, degrees: str = "") -> None:
        """Let a person do something, a few minutes later, when what was read has arrived."""
        self.wait(4)
        self.happens.append(Act(arrives_at=self.at, analyzer=self.analyzer, what=what, lot=self.lot, degrees=degrees))
        self.wait(1)

    def control(self, level: str, *, outcome: str = "non_patient", rules: frozenset[str] = frozenset(), **ranks: int) -> None:
        """Read a control, and wait three minutes."""
        shown = {**SOUND[level], **ranks}
        play = Play(
            number=self._next(), at=self._printed(), ranks=shown, **{**self._fields(), "word": "C", "specimen_id": LOTS[level]}
        )
        self.reads(self.made(play, outcome=outcome, rules=rules))
        self.wait(3)

    def controls(self, day: int) -> None:
        """Read both levels; leucocytes of the positive one are off by chance, and by a drift at the second analyzer."""
        target = SOUND["2"]["leukocytes"]
        high = DRIFT_SHARE if self.analyzer == FILES and day >= DRIFT_FROM else NOISE
        drawn = self.chance.random()
        offset = 1 if drawn < high else -1 if drawn > 1 - NOISE else 0
        self.control("1")
        self.control("2", leukocytes=target + offset)

    def lose(self) -> None:
        """Use a number of which nothing ever arrives."""
        self.missing.add(self._next())

    def _next(self) -> int:
        self.number += 1
        return self.number

    def _printed(self) -> datetime:
        return (self.at + self.clock).astimezone(ZONE).replace(microsecond=0)

    def _fields(self) -> dict[str, Any]:
        return {"word": "N", "strip_type": "quill-10", "lot": self.lot, "operator": self.operator}

    def _ranks(self) -> dict[str, int]:
        """Give one of the vectors of a clinic: most pads negative. Shares are ours, of the order that clinics report."""
        draw = self.chance.random
        pick = self.chance.randint
        ranks = {
            "ph": self.chance.choice((1, 1, 2, 2, 2, 3, 3, 4, 5)),
            "specific_gravity": self.chance.choice((0, 1, 2, 2, 3, 3, 4, 4, 5, 6)),
        }
        found = {"leukocytes": (0.12, 3), "protein": (0.08, 3), "blood": (0.1, 4), "glucose": (0.05, 4), "ketones": (0.04, 2)}
        found |= {"bilirubin": (0.01, 2), "urobilinogen": (0.02, 1)}
        ranks |= {pad: pick(1, most) for pad, (share, most) in found.items() if draw() < share}
        infected = ranks.get("leukocytes", 0) > 0
        moist = self.analyzer == LINE and self._is_moist() and draw() < MOIST_SHARE
        return ranks | {"nitrite": int(moist or draw() < (0.4 if infected else 0.03))}

    def _is_moist(self) -> bool:
        day = (self.at.astimezone(ZONE).date() - FIRST).days + 1
        return MOIST_FROM <= day <= MOIST_UNTIL


def month() -> Month:
    """Give the whole month."""
    benches = (
        Bench(analyzer=LINE, chance=random.Random(510), patients_from=4_100_000, lot=STRIP_LOTS["first"]),
        Bench(analyzer=FILES, chance=random.Random(511), patients_from=4_500_000, lot=STRIP_LOTS["second"]),
    )
    for bench in benches:
        bench.begin(1, time(6, 20))
        bench.act("accept")
        bench.act("open")
        for day in range(1, DAYS + 1):
            _day(bench, day)
    happens = sorted((each for bench in benches for each in bench.happens), key=lambda each: each.arrives_at)
    return Month(happens=tuple(happens), missing={bench.analyzer: frozenset(bench.missing) for bench in benches})


def _day(bench: Bench, day: int) -> None:
    seeds = {seed.place: seed for seed in SEEDS if (seed.analyzer, seed.day) == (bench.analyzer, day)}
    bench.begin(day, time(7, 0))
    _before_controls(bench, day, seeds)
    bench.controls(day)
    bench.begin(day, time(8, 0) if bench.analyzer == LINE else time(8, 2))
    for place in range(1, PATIENTS + 1):
        seed = seeds.get(place)
        if seed is not None:
            seed.plays(bench, seed)
        else:
            bench.reads(bench.strip())
        bench.wait(
            7 + bench.chance.uniform(-0.5, 0.5)
        )  # beyond the pause that ends a run, so that a hole holds nobody but where it is meant to


def _before_controls(bench: Bench, day: int, seeds: Mapping[int, Seed]) -> None:
    """Let happen what happens at seven: a container is opened, a strip is read too early, the clock was not changed."""
    if bench.analyzer == LINE and day in {11, 21}:
        bench.act("close")
        bench.lot = STRIP_LOTS["first" if day == 11 else "second"]
        bench.act("open")
    if 0 in seeds:
        seeds[0].plays(bench, seeds[0])
    bench.begin(day, time(7, 30))
    if bench.analyzer == LINE and day == CHANGE_NIGHT:
        bench.clock = timedelta(hours=1)
        changed = frozenset({"time.clock_change"})
        bench.control("1", outcome="held", rules=changed)
        bench.control("2", outcome="held", rules=changed)
        bench.clock = timedelta()
