"""Controls and patients' strips of an invented analyzer, judged over a real store: what goes, waits and is held."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.bench.controls import Flaw
from bridge.bench.gate import RepeatExplained
from bridge.bench.run_text import kept_run
from bridge.demo.printers import Play, framed, printed
from bridge.errors import StoreFailed
from bridge.facts.gates import free_waiting
from bridge.lifecycle.states import StopEnd
from bridge.model import Capture, GateState, Purpose, Way
from bridge.store.api import Store
from bridge.store.commands import CloseStop, EndWaiting, KeepCapture, RecordOutcome
from bridge.store.memory import MemoryStore
from bridge.store.rows import GateEventRow
from bridge.store.sqlite import SqliteStore
from bridge.tables.control_table import ControlTable, ShutDoes
from bridge.tables.types import Tables
from tests.bench.judged import MENDED, SUND, Bench, with_policy
from tests.judging_for_tests import NOW, Refusing
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables

S = GateState


def opened(folder: Path, made: Tables | None = None) -> Bench:
    """Give an analyzer over the store in a folder."""
    return Bench(SqliteStore(folder, now=lambda: NOW), made or with_policy())


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an analyzer whose patients' results wait for controls."""
    made = opened(tmp_path)
    yield made
    made.store.close()


def test_results_wait_for_the_mornings_controls_and_go_in_their_order(bench: Bench) -> None:
    """Three strips before the controls: none goes; with the second level that passes all go, as they were read."""
    assert [bench.read(bench.patient()) for _ in range(3)] == [["waiting"]] * 3
    assert bench.read(bench.control("1")) == ["non_patient"]
    assert (bench.sent, bench.store.stops()) == ([], ())
    bench.read(bench.control("2"))
    assert (bench.sent, bench.state) == (["1", "2", "3"], S.OPEN)
    assert bench.read(bench.patient()) == ["coded"]
    assert bench.sent == ["1", "2", "3", "6"]


def send(bench: Bench, play: Play, was: bytes, becomes: bytes) -> list[str]:
    """Let a strip come whose record says something else in one place; give its outcome."""
    bench.minute += 1
    profile = bench.tables.profiles["brook"]
    record = printed([play], profile, bench.tables)
    assert was in record
    capture = Capture(
        source="line",
        way=Way.SERIAL,
        arrived_at=NOW + timedelta(minutes=bench.minute),
        payload=framed(record.replace(was, becomes), profile),
    )
    capture_id = bench.store.submit(KeepCapture(capture=capture, analyzer="bench-a", profile="brook")).result(WAIT)
    bench.work_off()
    return [strip.outcome for strip in bench.store.capture_strips(capture_id)]


@pytest.mark.parametrize(
    ("was", "becomes", "first"),
    [(b"|20261125", b"|20261325", "rejected"), (b"NITR|POS", b"NITR|QQQ", "rejected"), (b"NITR|POS", b"NITR|POS", "non_patient")],
    ids=["an impossible time", "an unknown value", "nothing wrong with the record"],
)
def test_a_failed_control_that_is_sent_again_fails_once(bench: Bench, was: bytes, becomes: bytes, first: str) -> None:
    """HZ-E03: the analyzer's memory sends the same strip twice: that is no second failure, whatever stopped its record. One run anew is."""
    failing = bench.control("2", blood=0)
    assert [send(bench, failing, was, becomes) for _ in range(3)] == [[first], ["copy"], ["copy"]]
    assert (bench.state, len(bench.store.gate_events())) == (S.FAILED, 1)
    bench.read(bench.control("2", blood=0))
    assert bench.state is S.LOCKED


def test_a_stopped_control_fails_once_also_after_its_row_was_closed(bench: Bench) -> None:
    """HZ-E03: a person discards the row of one whose time is impossible, then the memory sends the same bytes: a row to look at, and no second failure."""
    failing = bench.control("2", blood=0)
    send(bench, failing, b"|20261125", b"|20261325")
    (stop,) = bench.store.stops()
    bench.store.submit(
        CloseStop(stop_id=stop.stop_id, end=StopEnd.DISCARDED, actor=SUND, reason="entered by hand", at=bench.at)
    ).result(WAIT)
    assert send(bench, failing, b"|20261125", b"|20261325") == ["rejected"]
    assert (bench.state, len(bench.store.gate_events()), len(bench.store.stops())) == (S.FAILED, 1, 1)


def test_a_patients_specimen_that_was_run_as_a_control_is_asked_about(bench: Bench) -> None:
    """HZ-E07: it names no lot that was entered, so it fails no gate and opens none; whoever ran it looks. A control that names its lot is one."""
    assert bench.read(replace(bench.control("2"), specimen_id="", patient_id="40718819")) == ["held"]
    (stop,) = bench.store.stops()
    assert (stop.rule, stop.releasable, stop.purpose) == ("purpose.like_patient", True, Purpose.CONTROL)
    assert bench.sent == []
    assert bench.read(replace(bench.control("2"), patient_id="40718819")) == ["non_patient"]
    assert bench.state is S.START


@pytest.mark.parametrize("together", [True, False], ids=["one capture", "captures that came while it was judged"])
def test_a_patients_strips_go_in_their_order(bench: Bench, together: bool) -> None:
    """A strip that came in behind the control that opens the gate does not overtake an earlier one of its patient, which waited."""
    bench.read(bench.patient(patient_id="40718811"))
    bench.read(bench.control("1"))
    behind = bench.control("2"), bench.patient(patient_id="40718811", ranks={"glucose": 2}), bench.patient()
    if together:
        bench.read(*behind)
    else:
        for play in behind[:-1]:
            bench.keep(play)
        bench.read(behind[-1])
    assert sorted(bench.sent) == ["1", "4", "5"]
    assert bench.sent.index("1") < bench.sent.index("4")
    assert bench.store.strips(outcome="waiting") == ()


def test_twenty_results_after_a_failed_control_are_not_sent(bench: Bench) -> None:
    """42 CFR 493.1256(f): each is held for a person; controls that pass later send none of them."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2", blood=0))
    assert bench.store.gates()[0].gate.state is S.FAILED
    assert [bench.read(bench.patient()) for _ in range(20)] == [["held"]] * 20
    assert bench.sent == []
    assert {stop.rule for stop in bench.store.stops()} == {"controls.failed"}
    bench.read(bench.control("2"))
    bench.say(RepeatExplained(at=NOW, by=SUND, reason="a drop missed two pads"))
    assert bench.state is S.OPEN
    assert (bench.sent, len(bench.store.stops())) == ([], 20)
    assert bench.read(bench.patient()) == ["coded"]


def test_a_failure_at_strip_31_of_60(bench: Bench) -> None:
    """Strips 3 to 30 went after the set at 1 and 2; the control at 31 fails: 32 to 60 do not go, and 3 to 30 are looked at again."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    for _ in range(3, 31):
        assert bench.read(bench.patient()) == ["coded"]
    bench.read(bench.control("2", glucose=0))
    assert [bench.read(bench.patient()) for _ in range(32, 61)] == [["held"]] * 29
    numbers = [str(number) for number in range(3, 31)]
    assert bench.sent == numbers
    assert [row.strip.number for row in bench.store.look_backs(is_open=True)] == numbers


def test_the_same_sixty_in_one_batch(bench: Bench) -> None:
    """A link that was down brings all sixty in one capture: order within it decides, as at the bench."""
    plays = [bench.control("1"), bench.control("2"), *(bench.patient() for _ in range(28)), bench.control("2", glucose=0)]
    plays += [bench.patient() for _ in range(29)]
    outcomes = bench.read(*plays)
    assert outcomes == ["non_patient"] * 2 + ["coded"] * 28 + ["non_patient"] + ["held"] * 29
    assert [row.strip.number for row in bench.store.look_backs(is_open=True)] == [str(number) for number in range(3, 31)]


def test_what_waited_when_controls_failed_is_decided_one_by_one(bench: Bench) -> None:
    """It was read before the repair: the controls that pass after it say nothing of it. What was read after the repair goes."""
    assert bench.read(bench.patient()) == ["waiting"]
    bench.read(bench.control("2", blood=0))
    bench.read(bench.control("2", blood=0))
    assert bench.state is S.LOCKED
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert (bench.state, bench.sent) == (S.LOCKED, [])  # fail, fail, pass does not open
    bench.say(MENDED)
    assert bench.read(bench.patient()) == ["waiting"]
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert bench.sent == ["6"]
    (stop,) = bench.store.stops()
    assert (stop.number, stop.rule, stop.releasable) == ("1", "controls.failed", True)


def test_a_strip_held_for_its_patient_is_asked_for_its_controls_when_it_is_judged_again(bench: Bench) -> None:
    """Its ID is corrected after controls failed and were put right: it was read between, so it is held once more."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert bench.read(bench.patient(patient_id="00000000")) == ["rejected"]
    bench.read(bench.control("1", blood=3))
    bench.say(MENDED)
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    (stop,) = bench.store.stops()
    corrected = CloseStop(
        stop_id=stop.stop_id, end=StopEnd.ID_CORRECTED, actor=SUND, reason="label", at=NOW, patient_id="40718811"
    )
    bench.store.submit(corrected).result(WAIT)
    bench.work_off()
    (stop,) = bench.store.stops()
    assert (stop.rule, stop.patient_id) == ("controls.failed", "40718811")


def test_an_emergency_release_sends_one(bench: Bench) -> None:
    """A named person lets one result go; its neighbours wait on, and its report says who let it go."""
    for _ in range(3):
        bench.read(bench.patient())
    second = next(strip for strip in bench.store.strips(outcome="waiting") if strip.number == "2")
    release = EndWaiting(
        strip_id=second.strip_id,
        end=StopEnd.RELEASED,
        actor=SUND,
        reason="theatre waits",
        accept_rules=frozenset({"controls.due"}),
        at=NOW,
    )
    bench.store.submit(release).result(WAIT)
    bench.work_off()
    assert bench.sent == ["2"]
    (row,) = bench.store.results()
    detail = bench.store.result(row.result_id)
    assert detail is not None
    assert detail.result is not None
    assert detail.result.comments == ("Released before the analyzer's controls were right, by A. Sund.",)
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert bench.sent == ["2", "1", "3"]


def test_another_lot_of_strips_has_its_own_gate(bench: Bench) -> None:
    """A new container of another lot waits for controls read on that lot."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert bench.read(bench.patient(lot="24A02")) == ["waiting"]
    bench.read(replace(bench.control("1"), lot="24A02"))
    bench.read(replace(bench.control("2"), lot="24A02"))
    assert bench.sent == ["3"]
    assert [(row.key.strip_lot, row.gate.state) for row in bench.store.gates()] == [("24A01", S.OPEN), ("24A02", S.OPEN)]


def events(bench: Bench) -> list[GateEventRow]:
    """Give what happened to gates, oldest first."""
    return list(reversed(bench.store.gate_events()))


def test_a_run_is_kept_with_every_pad(bench: Bench) -> None:
    """What was expected and seen of each pad stays with the run, in words and steps, whatever becomes of the lot."""
    bench.read(bench.control("2", blood=0))
    (event,) = events(bench)
    run = kept_run(event.run)
    assert (event.what, event.level, run.material, run.lot, run.flaws) == ("failed", "2", "birch", "B2-0772", ())
    assert [(each.pad, each.expected, each.observed, each.offset) for each in run.pads if each.offset] == [
        ("blood", (2, 3, 4), 0, -2)
    ]
    assert len(run.pads) == 10


def test_a_control_of_yesterday_opens_nothing(bench: Bench) -> None:
    """The analyzer's date is a day off: the run is kept, says so and does not count."""
    at = (NOW - timedelta(days=1)).astimezone(ZONE)
    bench.read(replace(bench.control("1"), at=at))
    bench.read(replace(bench.control("2"), at=at))
    assert [kept_run(event.run).flaws for event in events(bench)] == [(Flaw.OTHER_DAY,)] * 2
    assert bench.state is S.START


def test_a_control_read_before_the_repair_opens_nothing(bench: Bench) -> None:
    """The analyzer's memory sends it after the repair was noted: the run is kept, says so and does not count."""
    early = bench.control("1"), bench.control("2")
    bench.read(bench.control("2", blood=0))
    bench.minute += 10
    bench.say(MENDED)
    bench.read(*early)
    assert [kept_run(event.run).flaws for event in events(bench)[2:]] == [(Flaw.TOO_EARLY,)] * 2
    stood = [bench.state]
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert [*stood, bench.state] == [S.MENDED, S.OPEN]


def test_a_control_sent_again_counts_once(bench: Bench) -> None:
    """The same strip from the analyzer's memory is a copy: one failure stays one."""
    failed = bench.control("2", blood=0)
    bench.read(failed)
    assert bench.read(failed) == ["copy"]
    assert (bench.state, len(events(bench))) == (S.FAILED, 1)


@pytest.mark.parametrize(
    ("shut", "outcome", "sent"), [(ShutDoes.NOTE, "coded", ["1"]), (ShutDoes.WAIT, "waiting", []), (ShutDoes.HOLD, "held", [])]
)
def test_what_a_shut_gate_does_is_the_sites(tmp_path: Path, shut: ShutDoes, outcome: str, sent: list[str]) -> None:
    """A note goes with the result; waiting needs nobody; a hold needs a person."""
    bench = opened(tmp_path, with_policy(shut))
    assert (bench.read(bench.patient()), bench.sent) == ([outcome], sent)
    (strip,) = bench.store.strips()
    assert [rule for rule, _, _ in strip.findings] == ["controls.due"]
    bench.store.close()


def test_controls_are_due_after_so_many_strips(tmp_path: Path) -> None:
    """With every 2 strips: the third waits, and the controls free it."""
    bench = opened(tmp_path, with_policy(every_strips=2))
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert [bench.read(bench.patient()) for _ in range(3)] == [["coded"], ["coded"], ["waiting"]]
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    assert bench.sent == ["3", "4", "5"]
    bench.store.close()


def test_without_a_policy_nothing_is_written_of_gates(tmp_path: Path) -> None:
    """A site that says nothing of controls works as before; its controls are kept and not judged."""
    bench = opened(tmp_path, replace(tables(), controls=ControlTable()))
    assert bench.read(bench.control("1"), bench.patient()) == ["non_patient", "coded"]
    assert (bench.store.gates(), bench.store.gate_events()) == ((), ())
    bench.store.close()


def test_a_restart_between_the_control_and_what_it_frees_loses_nothing(tmp_path: Path) -> None:
    """What waited was put to judging in the control's own commit: the next start goes on with it."""
    bench = opened(tmp_path)
    bench.read(bench.patient())
    bench.read(bench.control("1"))
    broken = Refusing(bench.store, times=99, error=StoreFailed("the disk is gone"), kind=RecordOutcome, after=1)
    bench.judging = bench.judging_over(broken.as_store)
    with pytest.raises(StoreFailed):
        bench.read(bench.control("2"))
    assert (bench.state, bench.sent) == (S.OPEN, [])
    bench.store.close()
    again = opened(tmp_path)
    again.work_off()
    assert again.sent == ["1"]
    again.store.close()


# --- any morning, against a plain account of it -------------------------------------------------


class Account:
    """What should have become of each patient's strip, told without the gate's table and without a store."""

    def __init__(self) -> None:
        self.fate: dict[str, str] = {}
        self.waiting: list[str] = []
        self.doubted: set[str] = set()
        self.passed: set[str] = set()
        self.failures, self.is_open, self.is_explained, self.is_mended = 0, False, False, False

    def patient(self, number: str) -> None:
        if self.is_open:
            self.fate[number] = "coded"
        elif self.failures and not self.is_mended:
            self.fate[number] = "held"
        else:
            self.fate[number] = "waiting"
            self.waiting.append(number)

    def control(self, level: str, *, passes: bool) -> None:
        if not passes:
            self.doubted |= set(self.waiting)
            self.passed -= {level}
            # a failure while open or before any is the first of its kind; any other one needs a repair
            self.failures = 1 if self.is_open or not self.failures else 2
            if self.is_mended:
                self.failures = 2
            self.is_open = self.is_explained = self.is_mended = False
            return
        self.passed |= {level}
        if self.passed == {"1", "2"}:
            self.passed = set()
            if self.failures == 0 or self.is_mended or (self.failures == 1 and self.is_explained):
                self._open()
            elif self.failures == 1:
                self.is_repeated = True

    is_repeated = False

    def word(self, word: str) -> bool:
        """Say why or mend, where that has a use; give whether it has."""
        if word == "mend" and self.failures and not self.is_open:
            self.is_mended, self.passed, self.is_repeated = True, set(), False
            return True
        if word == "why" and self.failures == 1 and not self.is_open and not self.is_explained and not self.is_mended:
            self.is_explained = True
            if self.is_repeated:
                self._open()
            return True
        return False

    def _open(self) -> None:
        for number in self.waiting:
            self.fate[number] = "held" if number in self.doubted else "coded"
        self.waiting, self.doubted = [], set()
        self.is_open, self.failures = True, 0
        self.is_explained = self.is_mended = self.is_repeated = False


PIECES = (
    "p",
    "p p",
    "1+ 2+",
    "1+",
    "2+",
    "1-",
    "2-",
    "2- 2-",
    "2- mend",
    "why",
    "mend 1+ 2+",
    "2+ why",
    "crash",
)  # what belongs together comes together


@settings(max_examples=80, deadline=None)
@given(st.lists(st.sampled_from(PIECES), min_size=4, max_size=14).map(lambda pieces: " ".join(pieces).split()))
def test_any_morning_comes_out_as_it_should(words: list[str]) -> None:
    """Patients, controls, people and crashes in any order, through the real judging: each strip stands where a plain account puts it."""
    made = MemoryStore(now=lambda: NOW)
    bench, account = Bench(cast("SqliteStore", made), with_policy()), Account()
    for word in words:
        if word == "crash":
            made = MemoryStore(made.committed, now=lambda: NOW)
            bench.store = cast("SqliteStore", made)
            bench.judging = bench.judging_over(cast("Store", made))
        elif word == "p":
            bench.read(bench.patient())
            account.patient(str(bench.number))
        elif word in {"why", "mend"}:
            if account.word(word):
                bench.say(MENDED if word == "mend" else RepeatExplained(at=NOW, by=SUND, reason="a drop missed two pads"))
        else:
            passes = word[1] == "+"
            bench.read(bench.control(word[0], **({} if passes else {"blood": 3 if word[0] == "1" else 0})))
            account.control(word[0], passes=passes)
    patients = (strip for strip in bench.store.strips(limit=500) if strip.purpose is Purpose.PATIENT)
    assert {strip.number: strip.outcome for strip in patients} == account.fate


@pytest.mark.parametrize(("shut", "outcome"), [(None, "coded"), (ShutDoes.NOTE, "coded"), (ShutDoes.HOLD, "held")])
def test_what_waits_is_judged_by_a_policy_that_lets_none_wait(bench: Bench, shut: ShutDoes | None, outcome: str) -> None:
    """At the start after the site's file was changed: nothing else would ever free these strips. By the old policy they wait on."""
    captures = [bench.keep(bench.patient()) for _ in range(2)]
    bench.work_off()
    asyncio.run(free_waiting(cast("Store", bench.store), bench.tables))
    bench.work_off()
    assert [strip.outcome for number in captures for strip in bench.store.capture_strips(number)] == ["waiting"] * 2
    after = Bench(bench.store, tables() if shut is None else with_policy(shut))
    after.minute = bench.minute
    asyncio.run(free_waiting(cast("Store", after.store), after.tables))
    after.work_off()
    assert [strip.outcome for number in captures for strip in after.store.capture_strips(number)] == [outcome] * 2
    assert after.sent == (["1", "2"] if outcome == "coded" else [])


def test_a_clock_far_ahead_that_is_set_right(bench: Bench) -> None:
    """HZ-E10: what passed while it was ahead opens nothing for two days; what failed then is not passed over, and a new set opens the gate."""
    ahead = 2 * 24 * 60
    bench.minute = ahead
    bench.read(bench.control("1")), bench.read(bench.control("2"))
    assert bench.read(bench.patient()) == ["coded"]
    bench.minute = 60
    assert bench.read(bench.patient()) == ["waiting"]
    bench.read(bench.control("1"))
    assert bench.state is S.START
    bench.read(bench.control("2"))
    assert (bench.state, len(bench.sent)) == (S.OPEN, 2)
    assert bench.read(bench.patient()) == ["coded"]


def test_a_failure_under_a_clock_far_ahead_stays_one(bench: Bench) -> None:
    """It is put right under the right clock: what was read between stays held, what is read behind goes."""
    bench.minute = 2 * 24 * 60
    bench.read(bench.control("1")), bench.read(bench.control("2", blood=0))
    bench.minute = 60
    assert bench.read(bench.patient(patient_id="00000000")) == ["rejected"]
    (stop,) = bench.store.stops()
    bench.say(MENDED)
    bench.read(bench.control("1")), bench.read(bench.control("2"))
    assert bench.state is S.OPEN
    assert bench.read(bench.patient()) == ["coded"]
    correct = CloseStop(
        stop_id=stop.stop_id,
        end=StopEnd.ID_CORRECTED,
        actor=SUND,
        reason="label",
        at=NOW + timedelta(minutes=70),
        patient_id="40718895",
    )
    bench.store.submit(correct).result(WAIT)
    bench.work_off()
    assert bench.store.strips(outcome="held")[0].patient_id == "40718895"


def test_strips_read_by_eye_wait_for_no_analyzers_controls(tmp_path: Path) -> None:
    """Where the site asks for none there: neither does a patient's strip wait, nor does a control of that place shut a gate that nobody asks."""
    made = with_policy()
    bench = opened(tmp_path, replace(made, policy=replace(made.policy, ungated=frozenset({"bench-a"}))))
    assert bench.read(bench.patient()) == ["coded"]
    bench.read(bench.control("1", protein=0))
    assert bench.read(bench.patient()) == ["coded"]
    assert bench.store.gates() == ()
    bench.store.close()
