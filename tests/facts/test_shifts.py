"""Runs of strips through the real judging over a real store: what is held after something went missing, and what a person lets go.

Times and numbers are an invented analyzer's that is fed a list of patient IDs, one strip a minute; the site's pause is five minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.demo.printers import Play, framed, printed
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor, Capture, Way
from bridge.store.commands import CloseStop, ConfirmRun, KeepCapture
from bridge.store.rows import ShiftShown
from bridge.store.sqlite import SqliteStore
from tests.bench.judged import Bench
from tests.judging_for_tests import NOW
from tests.store.strips import WAIT
from tests.tables.shipped_tables import tables

ANA = Actor(name="Ana", verified="unverified")


class Row(Bench):
    """The analyzer, and what a person does on Numbers."""

    def skip(self, strips: int = 1) -> None:
        """Let strips be read that never arrive; each takes its minute."""
        self.number += strips
        self.minute += strips

    def pause(self, minutes: int) -> None:
        """Let nobody read anything."""
        self.minute += minutes

    def patients(self, count: int) -> list[str]:
        """Read patients' strips, a capture each; give the outcomes."""
        return [outcome for _ in range(count) for outcome in self.read(self.patient())]

    def error(self) -> list[str]:
        """Let a strip stick: it uses its number and prints an error in place of a value."""
        play, profile = self.patient(), self.tables.profiles["brook"]
        self.minute += 1
        text = printed([play], profile, self.tables).replace(b"NEG", b"E02 STRIP SKEW", 1)
        at = NOW + timedelta(minutes=self.minute)
        capture = Capture(source="line", way=Way.SERIAL, arrived_at=at, payload=framed(text, profile))
        kept = self.store.submit(KeepCapture(capture=capture, analyzer="bench-a", profile="brook")).result(WAIT)
        self.work_off()
        return [strip.outcome for strip in self.store.capture_strips(kept)]

    @property
    def held(self) -> ShiftShown:
        """Give the one run that waits."""
        (run,) = self.store.held_runs()
        return run

    def confirm(self, run: ShiftShown | None = None) -> int:
        """Let the held run go."""
        run = run or self.held
        command = ConfirmRun(shift_id=run.shift_id, last=run.last, actor=ANA, reason="both labels are right", at=self.at)
        count: int = self.store.submit(command).result(WAIT)
        return count


def opened(folder: Path, pause: int = 5) -> Row:
    """Give an analyzer over the store in a folder."""
    made = replace(tables(), policy=replace(tables().policy, run_pause_minutes=pause))
    return Row(SqliteStore(folder, now=lambda: NOW), made)


@pytest.fixture
def row(tmp_path: Path) -> Iterator[Row]:
    made = opened(tmp_path)
    yield made
    made.store.close()


def test_a_list_of_twenty_with_one_strip_removed_is_held_from_there(row: Row) -> None:
    """HZ-A10: a shift by one would give every patient after it the neighbour's result; none of them goes, all before it have gone."""
    assert row.patients(9) == ["coded"] * 9
    row.skip()
    assert row.patients(10) == ["held"] * 10
    assert row.sent == [str(number) for number in range(1, 10)]
    assert {stop.rule for stop in row.store.stops()} == {"number.shift"}
    assert row.store.stops()[0].sentence == (
        "Before it in the same run, 10 was read and never arrived: from there on each strip may bear its neighbour's patient ID."
    )
    assert [strip.number for strip in row.held.strips] == [str(number) for number in range(11, 21)]
    assert not any(stop.releasable for stop in row.store.stops())


def test_the_whole_run_goes_as_one_action_and_in_its_order(row: Row) -> None:
    """Once the first and the last were compared; what is read behind them in the same run goes by itself, and a note stays on record."""
    row.patients(2)
    row.skip(3)
    row.patients(3)
    assert row.confirm() == 3
    row.work_off()
    assert row.sent == ["1", "2", "6", "7", "8"]
    assert (row.store.stops(), row.store.held_runs()) == ((), ())
    released = row.store.strips(outcome="coded")[0]
    assert (released.number, released.findings) == (
        "8",
        (("number.shift", "note", "Before it in the same run, 3 to 5 were read and never arrived. Ana confirmed the run."),),
    )
    assert row.patients(2) == ["coded"] * 2
    row.skip()
    assert row.patients(1) == ["held"]


def test_an_error_inside_a_run_holds_the_rest(row: Row) -> None:
    """HZ-A10: the strip that stuck used a number, and the list went on without it."""
    row.patients(2)
    assert row.error() == ["rejected"]
    assert row.patients(2) == ["held"] * 2
    assert "the strip before ended in an error" in row.store.stops()[0].sentence


def test_a_pause_begins_a_new_run(row: Row) -> None:
    """What went missing before a pause shifts nothing behind it; six minutes are a pause, and the missing strips took their own time."""
    row.patients(1)
    row.skip(2)
    row.pause(13)  # 16 minutes from 1 to 4, of which three strips may take five each
    assert row.patients(1) == ["coded"]
    row.skip(2)
    row.pause(12)
    assert row.patients(1) == ["held"]
    row.pause(5)
    assert row.patients(1) == ["coded"]
    assert [strip.number for strip in row.held.strips] == ["7"]


def test_a_number_set_by_hand_holds_the_run_that_it_was_set_in(row: Row) -> None:
    """HZ-K05: a jump of 500 within the minute is one held run with one question; after a pause it holds nothing."""
    row.patients(1)
    row.number += 500
    assert row.patients(1) == ["held"]
    row.pause(5)
    row.number += 500
    assert row.patients(1) == ["coded"]


def test_controls_of_a_run_go_and_break_nothing(row: Row) -> None:
    """A control is nobody's result, so it is not held; a gap before it is not forgotten behind it."""
    row.patients(1)
    row.skip()
    assert row.read(row.control("1")) == ["non_patient"]
    assert row.patients(1) == ["held"]


def test_a_run_in_one_capture_is_held_like_one_in_many(row: Row) -> None:
    """A batch carries the printed times, by which it is judged."""
    plays: list[Play] = []
    for number in range(1, 7):
        row.minute += 1
        if number == 3:
            row.number += 1
        else:
            plays.append(row.patient())
    row.minute = 0
    assert row.read(*plays) == ["coded"] * 2 + ["held"] * 3


def test_strips_without_a_gap_are_all_sent_and_a_site_without_policy_holds_none(row: Row, tmp_path: Path) -> None:
    """No clean strip is held: sixty in a row, a copy and a late one among them."""
    plays = [row.patient() for _ in range(3)]
    for play in plays:
        assert row.read(play) == ["coded"]
    assert row.read(plays[0]) == ["copy"]
    assert row.patients(56) == ["coded"] * 56
    other = opened(tmp_path / "other", pause=0)
    other.patients(1)
    other.skip()
    assert other.patients(1) == ["coded"]
    other.store.close()


def test_a_late_strip_closes_its_gap_and_neither_holds_nor_frees(row: Row) -> None:
    """It came from the analyzer's memory; whether the list had shifted a person still says."""
    row.patients(1)
    lost = row.patient()
    row.pause(1)
    assert row.patients(1) == ["held"]
    assert row.read(lost) == ["coded"]
    assert row.patients(1) == ["held"]


def test_another_process_goes_on_with_the_run_as_it_stands(row: Row, tmp_path: Path) -> None:
    """After a start the store says how the run stands: held, behind a control too, or whole."""
    row.patients(1)
    row.skip()
    row.patients(1)
    row.judging = row.judging_over(row.store)
    assert row.patients(1) == ["held"]
    row.read(row.control("1"))
    row.judging = row.judging_over(row.store)
    assert row.patients(1) == ["held"]
    assert [strip.number for strip in row.held.strips] == ["3", "4", "6"]
    row.confirm()
    row.work_off()
    row.judging = row.judging_over(row.store)
    assert row.patients(1) == ["coded"]


def test_a_strip_that_is_judged_again_stays_in_its_run(row: Row) -> None:
    """A corrected patient ID does not carry a strip past it; once the run is confirmed it goes."""
    row.patients(1)
    row.skip()
    row.patients(1)
    (stop,) = row.store.stops()
    close = CloseStop(stop_id=stop.stop_id, end=StopEnd.ID_CORRECTED, actor=ANA, reason="r", at=row.at, patient_id="40718899")
    row.store.submit(close).result(WAIT)
    row.work_off()
    (again,) = row.store.stops()
    assert (again.rule, again.patient_id) == ("number.shift", "40718899")
    row.confirm()
    row.work_off()
    assert row.sent == ["1", "3"]


def test_a_run_that_grew_is_looked_at_again(row: Row) -> None:
    """The person saw another last specimen; nothing goes. Two people confirm once."""
    row.patients(1)
    row.skip()
    row.patients(2)
    seen = row.held
    row.patients(1)
    with pytest.raises(Overtaken, match="The run has grown"):
        row.confirm(seen)
    seen = row.held
    assert row.confirm(seen) == 3
    with pytest.raises(Overtaken, match="confirmed already"):
        row.confirm(seen)
