"""Bytes in, acknowledged messages out, through the real store, queues and pages."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge import clock, pipeline
from bridge.demo.scenario import patient
from bridge.desk.actions import Desk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopGroup
from bridge.model import Actor, DeliveryState, Outcome, Reading
from tests.journey.running import Running, play, running

ANA = Actor(name="Ana", verified="unverified")
GOOD, OTHER, UNKNOWN = "40700007", "40700015", "40760001"  # Luhn check digits; invented
SWAPPED = "40700070"  # OTHER than GOOD by two neighbours that changed places


@pytest.fixture
def bridge(tmp_path: Path) -> Iterator[Running]:
    with running(tmp_path, turned_away=frozenset({UNKNOWN})) as subject:
        yield subject


def desk(bridge: Running) -> Desk:
    """Give the desk as the pages have it: what it does wakes the loops."""
    return Desk(_Waking(bridge), bridge.bridge.tables.policy, clock.now, zone=bridge.bridge.config.site.zone)  # type: ignore[arg-type]  # the store, with a wake


class _Waking:
    def __init__(self, bridge: Running) -> None:
        self._bridge = bridge

    def submit(self, command: object) -> object:
        future = self._bridge.store.submit(command)  # type: ignore[arg-type]  # any command
        future.add_done_callback(lambda _: self._bridge.bridge.service.wake())
        return future

    def __getattr__(self, name: str) -> object:
        return getattr(self._bridge.store, name)


def stops(bridge: Running, group: StopGroup) -> tuple[int, ...]:
    return tuple(stop.stop_id for stop in bridge.store.stops(group=group))


def test_a_mistyped_id_is_mended_and_filed_once(bridge: Running) -> None:
    """Promise 5: keyed twice, second identifier compared, reason and name kept; then the result leaves once. HZ-A02, HZ-A06."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED)))
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REJECTED))
    at = desk(bridge)
    with pytest.raises(RefusedAction, match="two entries"):
        at.correct_patient_id(stop_id, first=GOOD, second=OTHER, second_identifier="1", reason="typing slip", actor=ANA)
    with pytest.raises(RefusedAction, match="check digit"):
        at.correct_patient_id(
            stop_id, first="40700008", second="40700008", second_identifier="1", reason="typing slip", actor=ANA
        )
    with pytest.raises(RefusedAction, match="second identifier does not belong"):
        at.correct_patient_id(stop_id, first=GOOD, second=GOOD, second_identifier="2", reason="typing slip", actor=ANA)
    with pytest.raises(RefusedAction, match="reason"):
        at.correct_patient_id(stop_id, first=GOOD, second=GOOD, second_identifier="1", reason=" ", actor=ANA)
    at.correct_patient_id(stop_id, first=GOOD, second=GOOD, second_identifier="1", reason="typing slip", actor=ANA)
    with pytest.raises(Overtaken, match="Ana"):
        at.discard(stop_id, reason="late", actor=ANA)
    bridge.wait(lambda: len(bridge.records.results) == 1 and bridge.records.filed_reports() == 1)
    (message,) = bridge.records.results.values()
    assert b"PID|1||" + GOOD.encode() in message
    (row,) = bridge.store.results()
    assert (row.patient_id, row.version) == (GOOD, 1)
    closed = bridge.store.stop(stop_id)
    assert closed is not None
    assert (closed.closed_by, closed.closed_how, closed.closed_reason) == (
        "Ana (unverified)",
        "patient ID corrected",
        "typing slip",
    )


def test_a_refused_result_goes_again_under_the_same_identity(bridge: Running) -> None:
    """The receiver's own words are shown; sending again keeps the bytes and the control ID. HZ-H03."""
    bridge.drop("a.txt", bridge.tern(play(1, UNKNOWN)))
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REFUSED))
    stop = bridge.store.stop(stop_id)
    assert stop is not None
    assert "No patient is registered under this ID" in stop.receiver_words
    (control_id,) = bridge.records.refusals
    bridge.records.turned_away = frozenset()
    desk(bridge).send_again(stop_id, reason="registered now", actor=ANA)
    bridge.wait(lambda: bridge.records.results)
    assert list(bridge.records.results) == [control_id]


def test_a_filed_result_is_not_moved_to_another_patient_by_half(bridge: Running) -> None:
    """The chart has it under the old ID already: correcting here alone would leave it in two records. HZ-I03."""
    bridge.drop("a.txt", bridge.tern(play(1, UNKNOWN)))
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REFUSED))
    bridge.wait(lambda: bridge.records.filed_reports() == 1)
    result = bridge.store.results()[0].result_id
    bridge.wait(lambda: DeliveryState.ACCEPTED in {d.state for d in bridge.store.deliveries(result)})
    with pytest.raises(RefusedAction, match="Correct or withdraw it from the result's own page"):
        desk(bridge).correct_patient_id(stop_id, first=GOOD, second=GOOD, second_identifier="1", reason="wrong label", actor=ANA)
    assert stops(bridge, StopGroup.REFUSED) == (stop_id,)


def test_an_outage_delays_and_loses_nothing(bridge: Running) -> None:
    """While the receiver is deaf strips are kept; afterwards each is filed once. HZ-H01."""
    bridge.records.deaf = True
    bridge.drop("a.txt", bridge.tern(play(1, GOOD), play(2, OTHER)))
    bridge.wait(lambda: bridge.records.unanswered >= 4)
    assert bridge.records.results == {}
    bridge.records.deaf = False
    bridge.wait(lambda: len(bridge.records.results) == 2 and bridge.records.filed_reports() == 2)
    assert stops(bridge, StopGroup.REFUSED) == ()


def test_two_days_of_numbers_and_a_resend_of_the_first(bridge: Running) -> None:
    """Numbers that restart each day: 120 results, and day one sent again adds none. HZ-D11, HZ-F05."""

    def day(back: int) -> bytes:
        base = play(1, GOOD).at - timedelta(days=back)
        start = base.replace(hour=6, minute=0)
        plays = [play(n, patient(n), at=start + timedelta(minutes=3 * n)) for n in range(1, 61)]
        return bridge.tern(*plays)

    one, two = day(2), day(1)
    bridge.drop("one.txt", one)
    bridge.drop("two.txt", two)
    bridge.wait(lambda: len(bridge.store.strips(limit=500)) == 120)
    bridge.drop("one-again.txt", one)
    bridge.wait(lambda: len(bridge.store.strips(limit=500)) == 180)
    outcomes = [strip.outcome for strip in bridge.store.strips(limit=500)]
    assert (outcomes.count("coded"), outcomes.count("copy")) == (120, 60)
    bridge.wait(lambda: len(bridge.records.results) == 120 and bridge.records.filed_reports() == 120)


def test_two_identical_negative_strips_without_a_date_are_both_judged(bridge: Running) -> None:
    """The first goes; the second waits for a person; none is lost in silence."""
    slip = bridge.bridge.tables.profiles["moss"].example.payload.replace(b"40718823", GOOD.encode())
    bridge.drop("one.txt", slip, "undated")
    first = bridge.wait(lambda: bridge.store.strips(limit=10))
    bridge.drop("two.txt", slip, "undated")
    strips = bridge.wait(lambda: (found := bridge.store.strips(limit=50)) and len(found) == 2 * len(first) and found)
    assert all(strip.outcome != "copy" for strip in strips)


def test_a_capture_read_again_replaces_its_stop_and_is_no_copy(bridge: Running) -> None:
    """Reading again is a new interpretation of the same bytes."""
    bridge.drop("a.txt", bridge.tern(play(1, SWAPPED)))
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REJECTED))
    desk(bridge).read_again(stop_id, reason="profile mended", actor=ANA)
    again = bridge.wait(lambda: [s for s in stops(bridge, StopGroup.REJECTED) if s != stop_id])
    assert len(again) == 1
    assert [strip.outcome for strip in bridge.store.strips()] == ["rejected"]


def test_a_torn_file_sent_twice_is_one_row_with_a_counter(bridge: Running) -> None:
    """Repeats of one failing capture do not bury the page."""
    torn = bridge.tern(play(1, GOOD))[:-20]
    bridge.drop("a.txt", torn)
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REJECTED))
    bridge.drop("b.txt", torn)
    row = bridge.wait(lambda: (s := bridge.store.stop(stop_id)) and s.repeats == 1 and s)
    assert stops(bridge, StopGroup.REJECTED) == (row.stop_id,)


def test_a_restart_takes_up_what_was_left(tmp_path: Path) -> None:
    """What waited when the process ended goes after the restart, under the identity that it was born with."""
    with running(tmp_path) as one:
        one.records.deaf = True
        one.drop("a.txt", one.tern(play(1, GOOD)))
        result = one.wait(one.store.results)[0].result_id
        tried = one.wait(
            lambda: (found := one.store.deliveries(result)) and all(d.control_id and d.attempts for d in found) and found
        )
        born = [(d.destination, d.control_id) for d in tried]
    with running(tmp_path) as two:
        two.wait(lambda: len(two.records.results) == 1 and two.records.filed_reports() == 1)
        assert [(d.destination, d.control_id) for d in two.store.deliveries(result)] == born
        assert list(two.records.results) == [dict(born)["records"]]


def test_a_source_with_the_wrong_profile_is_mended_and_all_is_read_again(tmp_path: Path) -> None:
    """An admin gives the source its right profile; the technician reads again, and nothing has to be sent anew."""
    with running(tmp_path, profile="brook-file") as one:
        one.drop("a.txt", one.tern(play(1, GOOD), play(2, OTHER)))
        one.wait(lambda: stops(one, StopGroup.REJECTED))
        one.wait(lambda: not one.store.analyzers_with_work())
        assert one.store.results() == ()
    with running(tmp_path) as two:
        rules = {stop.rules[0] for stop in two.store.stops(group=StopGroup.REJECTED)}
        at = desk(two)
        for rule in rules:
            at.read_again_all(rule, expected=len(at.preview_read_again(rule)), reason="profile corrected", actor=ANA)
        two.wait(lambda: len(two.records.results) == 2 and two.records.filed_reports() == 2)
        two.wait(lambda: not two.store.analyzers_with_work())
        assert {row.patient_id for row in two.store.results()} == {GOOD, OTHER}
        assert stops(two, StopGroup.REJECTED) == ()


def test_a_defect_in_judging_costs_one_strip_and_no_neighbour(bridge: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """A defect of ours stops the strip that meets it, as a row that says so; the analyzer's other strips go on."""
    judge = pipeline.judge

    def failing(reading: Reading, *rest: Any, **more: Any) -> Outcome:
        if reading.patient_id and reading.patient_id.text == OTHER:
            raise ZeroDivisionError
        return judge(reading, *rest, **more)

    monkeypatch.setattr(pipeline, "judge", failing)
    bridge.drop("a.txt", bridge.tern(play(1, GOOD), play(2, OTHER), play(3, "40700023")))
    bridge.wait(lambda: bridge.records.filed_reports() == 2)
    (stop,) = bridge.store.stops(group=StopGroup.REJECTED)
    assert stop.rules == ("padpost.defect",)
    monkeypatch.setattr(pipeline, "judge", judge)
    desk(bridge).read_again(stop.stop_id, reason="repaired", actor=ANA)
    bridge.wait(lambda: bridge.records.filed_reports() == 3 and len(bridge.records.results) == 3)
