"""Years of an analyzer's numbers written straight into the table, and what Today should say of them by the plain definition, reading everything."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from hypothesis import strategies as st

from bridge.bench.gaps import NumberRun
from bridge.store.codec import when
from bridge.store.database import Db
from tests.store.strips import NOW

SINCE = NOW - timedelta(days=2)
_INDEX = itertools.count(1)
_COLUMNS = (
    "capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed, patient_id, specimen_id, operator,"
    " strip_type, strip_lot, analyzed_at, arrived_at, judged_at, record_digest, result_id, findings, abnormal, place_start, place_end, tables"
)


@dataclass(frozen=True, slots=True)
class Past:
    """One strip: its number, how many hours ago it came, and what became of it."""

    number: str
    hours_ago: int
    outcome: str = "coded"
    mode: str = "all"
    series: str = "2026-11-25"


def write(db: Db, capture_id: int, analyzer: str, strips: Iterable[Past]) -> None:
    """Write the strips of ``analyzer`` in the order given, which is that of their ids."""
    db.execute("BEGIN")
    for each in strips:
        at = when(NOW - timedelta(hours=each.hours_ago))
        values = (
            capture_id, next(_INDEX), 1, each.outcome, analyzer, each.mode, each.series, each.number, "patient", "routine", "P", "P", "", "",
            "plover-12", "", at, at, at, "d", "", "[]", 0, 0, 1, 0,
        )  # fmt: skip
        db.execute(f"INSERT INTO strips ({_COLUMNS}) VALUES ({', '.join('?' * len(values))})", values)
    db.execute("COMMIT")


def plain_runs(
    analyzer: str, strips: Sequence[Past], *, ended_hours_ago: int = -1, began_hours_ago: int = 48
) -> tuple[NumberRun, ...]:
    """Give the runs of the window, and before each the nearest number of all the strips: everything is looked at."""
    counted = [each for each in strips if each.outcome != "superseded" and each.series and each.number.isdecimal()]
    found = []
    for mode, series in sorted({(each.mode, each.series) for each in counted}):
        of = [each for each in counted if (each.mode, each.series) == (mode, series)]
        ever = sorted({int(each.number) for each in of})
        late = {int(each.number) for each in of if ended_hours_ago < each.hours_ago <= began_hours_ago}
        for first in sorted(number for number in late if number - 1 not in late):
            last = next(number for number in itertools.count(first) if number + 1 not in late)
            before = max((number for number in ever if number < first), default=None)
            found.append(NumberRun(analyzer=analyzer, mode=mode, series=series, first=first, last=last, before=before))
    return tuple(found)


_numbers = st.one_of(st.integers(1, 12), st.integers(90, 110), st.sampled_from([1_500, 3_000, 99_999]))
pasts = st.lists(
    st.builds(
        Past,
        st.one_of(_numbers.map(str), st.sampled_from(["", "12a"])),
        st.integers(0, 96),
        st.sampled_from(["coded", "held", "copy", "rejected", "superseded"]),
        st.sampled_from(["all", "stat"]),
        st.sampled_from(["2026-11-25", "2026-11-24", ""]),
    ),
    max_size=25,
)
