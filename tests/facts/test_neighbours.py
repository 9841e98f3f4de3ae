"""What a strip may have been taken for, fetched and judged by the real judging over a real store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.bench.ahead import Ahead
from bridge.desk.actions import Desk
from bridge.facts.neighbours import Nearby
from bridge.model import Capture, Needs, Neighbour, Way
from bridge.store.rows import LotShown
from bridge.store.sqlite import SqliteStore
from bridge.tables.hold_table import HoldTable
from bridge.trial import try_out
from tests.bench.controls_for_tests import compiled
from tests.bench.judged import SOUND, SUND, Bench
from tests.check.looks import checked, neighbour
from tests.judging_for_tests import now
from tests.tables.shipped_tables import ZONE, tables

LOOKS = replace(tables(), controls=replace(compiled(), policy=None))
SICK = {"glucose": 3, "ketones": 2, "protein": 2}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


@pytest.fixture
def bench(store: SqliteStore) -> Bench:
    return Bench(store, LOOKS)


def outcomes(bench: Bench, captures: list[int]) -> list[str]:
    return [strip.outcome for capture_id in captures for strip in bench.store.capture_strips(capture_id)]


def test_a_shift_is_seen_whether_the_strip_before_is_committed_or_not(bench: Bench) -> None:
    """HZ-A10: in a burst the strip before is judged and not committed yet; one at a time it stands in the store. Both are held alike."""
    plays = [bench.patient(ranks=ranks) for ranks in (SICK, SICK, {}, SICK, {**SICK, "protein": 3}, SICK)]
    expected = ["coded", "held", "coded", "coded", "coded", "coded"]
    burst = [bench.keep(play) for play in plays]
    bench.work_off()
    assert outcomes(bench, burst) == expected
    plays = [bench.patient(ranks=ranks) for ranks in ({}, SICK, SICK, {}, SICK)]
    assert [bench.read(play) for play in plays] == [["coded"], ["coded"], ["held"], ["coded"], ["coded"]]


def test_the_strips_of_one_capture_are_neighbours(bench: Bench) -> None:
    """A file holds a whole list; the strip before stands in the same capture."""
    assert bench.read(*(bench.patient(ranks=SICK) for _ in range(3))) == ["coded", "held", "held"]


def test_a_control_read_as_a_patient_is_held_and_goes_once_a_person_releases_it(bench: Bench) -> None:
    """HZ-E06, from bytes to the message: nothing is sent before the release, and the finding stays as a note."""
    assert bench.read(bench.patient(ranks=SOUND["2"])) == ["held"]
    assert bench.sent == []
    (stop,) = bench.store.stops()
    assert (stop.rules, stop.releasable) == (("look_alike.control",), True)
    assert stop.sentence == "This patient's strip looks like a control. (Birch control, two levels, level 2, lot B2-0772)"
    Desk(bench.store, LOOKS.policy, now, zone=ZONE).release(stop.stop_id, reason="the patient is that ill", actor=SUND)
    bench.work_off()
    assert bench.sent == ["1"]
    (strip,) = bench.store.strips(outcome="coded", limit=9)
    assert [(rule, severity) for rule, severity, _ in strip.findings] == [("look_alike.control", "note")]


def test_the_control_itself_and_a_training_strip_are_not_asked(bench: Bench) -> None:
    """What is read as a control is meant to look like one."""
    assert bench.read(bench.control("2")) == ["non_patient"]
    assert bench.read(bench.patient(ranks={**SOUND["2"], "ketones": 0})) == ["coded"]


def test_where_the_site_switches_the_rules_off_nothing_is_fetched_or_held(store: SqliteStore) -> None:
    """Without rules on neighbours a strip is judged once."""
    bench = Bench(store, replace(LOOKS, holds=HoldTable()))
    assert bench.read(bench.patient(ranks=SOUND["2"]), bench.patient(ranks=SOUND["2"])) == ["coded", "coded"]
    nothing = Nearby(store, bench.tables, now).of("bench-a", (99, 0), ahead=neighbour(checked()))
    assert (nothing.previous, nothing.controls) == (None, ())


def test_what_is_judged_ahead_stands_for_what_the_store_has(bench: Bench) -> None:
    """The newest patient's strip under way is the one before; a control among them is none, and once all are committed the store is asked."""
    needs = Needs(analyzer="a", mode="m", number="1", record_digest="d", patient_id="p")
    ahead, first, second = Ahead(), neighbour(checked(number="1")), neighbour(checked(number="2"))
    assert ahead.neighbour() is None
    for left in (first, second, None):
        ahead.add(needs, None, left)
    assert ahead.neighbour() is second
    ahead.committed()
    assert ahead.neighbour() is second
    ahead.committed()
    assert ahead.neighbour() is None
    bench.read(bench.patient())
    assert _number(Nearby(bench.store, LOOKS, now).of("bench-a", (99, 0), ahead=None).previous) == "1"
    assert _number(Nearby(bench.store, LOOKS, now).of("bench-a", (99, 0), ahead=second).previous) == "2"


def test_the_controls_in_use_cost_no_strip_a_query(tmp_path: Path) -> None:
    """They are read once for all strips of some seconds, as everything that people entered; a strip that looks like no neighbour is judged once."""
    asked: list[str] = []

    class Asked(SqliteStore):
        def control_lots(self) -> tuple[LotShown, ...]:
            asked.append("lots")
            return super().control_lots()

    with closing(Asked(tmp_path / "asked", now=now)) as store:
        nearby = Nearby(store, LOOKS, now)
        found = [nearby.of("bench-a", (number, 0), ahead=None) for number in range(3)]
    assert asked == ["lots"]
    assert [len(each.controls) for each in found] == [2, 2, 2]


def _number(found: Neighbour | None) -> str:
    return found.number if found else ""


def test_two_shipped_examples_get_notes_and_none_another_outcome() -> None:
    """So output that a site accepted before there were such rules is as it was accepted, but for these notes."""
    met = {}
    for name, profile in tables().profiles.items():
        example = Capture(source="example", way=Way.FOLDER, arrived_at=now(), payload=profile.example.payload, live=False)
        trials = try_out(example, profile, [], tables(), called="EXAMPLE")
        bare = try_out(example, profile, [], replace(tables(), holds=HoldTable()), called="EXAMPLE")
        assert [trial.word for trial in trials] == [trial.word for trial in bare]
        rules = [each.rule for trial in trials for each in trial.findings]
        met[name] = [rule for rule in rules if rule.startswith(("plausible.", "look_alike."))]
    assert {name: rules for name, rules in met.items() if rules} == {
        "tern": ["plausible.ascorbic_acid"],
        "wren": ["plausible.bilirubin_without_urobilinogen", "plausible.coloured"],
    }


def test_a_signed_comment_goes_with_the_result(store: SqliteStore) -> None:
    """HZ-B05: once somebody has signed its wording, a rule's comment stands on the report; as shipped nothing is added."""
    said = "Leukocytes negative and nitrite positive."
    holds = replace(tables().holds, reports={"plausible.nitrite_alone": said})
    bench = Bench(store, replace(LOOKS, holds=holds))
    bench.read(bench.patient(ranks={"nitrite": 1}), bench.patient())
    comments = {}
    for row in store.results(limit=9):
        detail = store.result(row.result_id)
        assert detail is not None
        assert detail.result is not None
        comments[detail.result.number] = detail.result.comments
    assert comments == {"1": (said,), "2": ()}
    (delivery,) = store.deliveries(next(row.result_id for row in store.results(limit=9) if row.number == "1"))
    message = store.result(delivery.result_id)
    assert message is not None
    assert said.encode() in message.deliveries[0][1].payload
