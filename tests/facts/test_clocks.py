"""Clocks of a real line over a real store: what is held while a clock is off, what is not, and what a restart remembers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast

import pytest

from bridge import pipeline
from bridge.bench.clock import FEWEST
from bridge.demo.printers import Play
from bridge.facts.clocks import Clocks
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import CloseStop, Lease
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import ClockRule, Tables
from tests.bench.judged import Bench
from tests.judging_for_tests import NOW
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables

ANA = Actor(name="Ana", verified="unverified")
MINUTE = timedelta(minutes=1)


def with_rule(rule: ClockRule | None) -> Tables:
    """Give the shipped tables of a site that judges clocks so."""
    made = tables()
    return replace(made, policy=replace(made.policy, clock=rule))


def opened(folder: Path, rule: ClockRule | None = ClockRule()) -> Bench:  # noqa: B008 - a frozen value
    """Give an analyzer over the store in a folder."""
    return Bench(SqliteStore(folder, now=lambda: NOW), with_rule(rule))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an analyzer whose clock is judged."""
    made = opened(tmp_path)
    yield made
    made.store.close()


def off(bench: Bench, behind: timedelta, **more: object) -> Play:
    """Give the next strip, of an analyzer whose clock is so much behind when the strip is sent at once."""
    at = (NOW + timedelta(minutes=bench.minute + 1) - behind).astimezone(ZONE)
    return bench.patient(**{"at": at, **more})


def stopped(bench: Bench) -> list[str]:
    """Give the rules of what stands stopped, oldest first."""
    return [stop.rule for stop in reversed(bench.store.stops())]


def test_a_clock_that_is_off_is_told_by_its_median(bench: Bench) -> None:
    """Hazard HZ-D08: 16 minutes behind; two strips prove nothing, from the third on they are held; set right, the next one goes."""
    outcomes = [bench.read(off(bench, 16 * MINUTE))[0] for _ in range(5)]
    assert outcomes == ["coded"] * (FEWEST - 1) + ["held"] * 3
    assert stopped(bench) == ["time.clock_off"] * 3
    assert bench.read(bench.patient()) == ["coded"]


def test_three_minutes_off_hold_nothing(bench: Bench) -> None:
    """Hazard HZ-D08 at 0 and 3 minutes: the page says so, and results go."""
    assert [bench.read(off(bench, by * MINUTE)) for by in (0, 0, 3, 3, 3, 3, 3)] == [["coded"]] * 7


def test_a_site_without_the_rule_has_what_it_had(tmp_path: Path) -> None:
    """Nothing is judged of clocks, and nothing is asked of the store."""
    bench = opened(tmp_path, None)
    assert [bench.read(off(bench, 60 * MINUTE)) for _ in range(6)] == [["coded"]] * 6
    assert Clocks(cast("Store", bench.store), bench.tables).facts_then("bench-a", (1, 0)) is None
    bench.store.close()


def test_the_wrong_half_of_the_day_is_found_at_the_first_strip(bench: Bench) -> None:
    """Hazard HZ-K06: sent as it was read and twelve hours behind, it is held; one strip is enough where the cause is so usual."""
    assert bench.read(bench.patient()) == ["coded"]
    assert bench.read(off(bench, timedelta(hours=12, minutes=2))) == ["held"]
    assert bench.read(off(bench, -timedelta(hours=11, minutes=58))) == ["held"]
    assert stopped(bench) == ["time.half_day", "time.half_day"]


def test_a_batch_is_judged_by_the_last_known_offset(bench: Bench) -> None:
    """A link that was down brings an hour's strips at once: they waited, and the clock is known to be right."""
    for _ in range(3):
        bench.read(bench.patient())
    bench.minute += 60
    assert bench.read(*(off(bench, (60 - 5 * number) * MINUTE) for number in range(10))) == ["coded"] * 10
    for _ in range(3):
        bench.read(off(bench, 40 * MINUTE))
    assert bench.read(off(bench, 90 * MINUTE), off(bench, 80 * MINUTE)) == ["held", "held"]  # and here to be wrong
    assert stopped(bench) == ["time.clock_off"] * 3


def test_a_batch_keeps_its_own_order(bench: Bench) -> None:
    """The clock was set back by hand between two strips of one batch: the later number says the earlier time."""
    assert bench.read(off(bench, 50 * MINUTE), off(bench, 45 * MINUTE), off(bench, 48 * MINUTE)) == ["coded", "coded", "held"]
    assert stopped(bench) == ["time.order"]


def test_strips_that_are_sent_again_tell_nothing(bench: Bench) -> None:
    """A memory that is sent again, a strip at a time: copies all, and the clock stands as it was."""
    plays = [bench.patient() for _ in range(6)]
    for play in plays:
        bench.minute += 3
        bench.read(replace(play, at=(NOW + timedelta(minutes=bench.minute + 1)).astimezone(ZONE)))
    sent = bench.store.heard_strips("bench-a", limit=20)
    bench.minute += 300
    again = [
        bench.read(replace(play, at=(NOW + timedelta(minutes=3 * n + 3 + n + 1)).astimezone(ZONE)))
        for n, play in enumerate(plays)
    ]
    assert again == [["copy"]] * 6
    assert bench.store.heard_strips("bench-a", limit=20) == sent
    assert bench.read(bench.patient()) == ["coded"]


def test_a_restart_and_another_process_know_the_same(tmp_path: Path) -> None:
    """The last strips are read from the store again: a clock that was off before the restart is off after it."""
    bench = opened(tmp_path)
    for _ in range(4):
        bench.read(off(bench, 30 * MINUTE))
    number, minute = bench.number, bench.minute
    bench.store.close()
    bench = opened(tmp_path)
    bench.number, bench.minute = number, minute
    assert bench.read(off(bench, 200 * MINUTE)) == ["held"]
    assert stopped(bench) == ["time.clock_off"] * 3
    bench.store.close()


def test_another_lease_means_another_look(bench: Bench) -> None:
    """While the analyzer was another process's, strips came that this one did not hear."""
    clocks = Clocks(cast("Store", bench.store), bench.tables)
    clocks.owned("bench-a", Lease(name="analyzer:bench-a", token=1))
    for _ in range(3):
        bench.read(off(bench, 30 * MINUTE))
    heard = bench.store.heard_strips("bench-a", limit=1)[0]
    capture = bench.store.capture(heard.seat[0])
    (reading,) = pipeline.understand(capture.capture, bench.tables.profiles["brook"], analyzer="bench-a")
    asked = pipeline.needs(reading, bench.tables)  # type: ignore[arg-type] # it is legible
    late = replace(capture.capture, arrived_at=heard.arrived_at + MINUTE, live=False)
    first = clocks.facts(asked, late, (90, 0), is_alone=True)
    bench.read(off(bench, 30 * MINUTE))
    clocks.owned("bench-a", Lease(name="analyzer:bench-a", token=1))
    assert clocks.facts(asked, late, (91, 0), is_alone=True) == first
    clocks.owned("bench-a", Lease(name="analyzer:bench-a", token=2))
    other = clocks.facts(asked, late, (91, 0), is_alone=True)
    assert first is not None
    assert other is not None
    assert (first.strips, other.strips) == (3, 4)


def test_what_is_judged_again_is_judged_by_the_clock_of_its_time(bench: Bench) -> None:
    """Held for its clock and its patient: that the clock was set right since does not make its printed time right."""
    for _ in range(3):
        bench.read(off(bench, 30 * MINUTE))
    bench.read(off(bench, 30 * MINUTE, patient_id="00000000"))
    for _ in range(5):
        bench.read(bench.patient())
    stop = next(stop for stop in bench.store.stops() if stop.rule.startswith("patient."))
    corrected = CloseStop(
        stop_id=stop.stop_id, end=StopEnd.ID_CORRECTED, actor=ANA, reason="label", at=NOW, patient_id="40718811"
    )
    bench.store.submit(corrected).result(WAIT)
    bench.work_off()
    assert stopped(bench) == ["time.clock_off"] * 2


def test_a_corrected_time_goes_and_the_printed_one_stands_beside_it(bench: Bench) -> None:
    """The result has the person's time, its report says who gave it and what the analyzer printed; identity stays the printed one's."""
    bench.read(off(bench, timedelta(hours=12)))
    (stop,) = bench.store.stops()
    given = NOW + MINUTE
    corrected = CloseStop(
        stop_id=stop.stop_id, end=StopEnd.TIME_CORRECTED, actor=ANA, reason="AM for PM", at=NOW, analyzed_at=given
    )
    bench.store.submit(corrected).result(WAIT)
    bench.work_off()
    (row,) = bench.store.results()
    detail = bench.store.result(row.result_id)
    assert detail is not None
    assert detail.result is not None
    printed = given - timedelta(hours=12)
    assert (row.analyzed_at, detail.result.analyzed_at, detail.strip.analyzed_at) == (given, given, printed)
    (comment,) = detail.result.comments
    assert comment == f"Time of analysis given by Ana; the analyzer printed {printed.astimezone(ZONE):%Y-%m-%d %H:%M}."
    assert [(rule, severity) for rule, severity, _ in detail.strip.findings] == [("time.half_day", "note")]
    message = detail.deliveries[0][1].payload.decode()
    assert f"|{given.astimezone(ZONE):%Y%m%d%H%M}" in message
    assert isinstance(detail.result.analyzed_at, datetime)
