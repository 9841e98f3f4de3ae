"""The gate: every pair of its table, what it does at the bench, and a plain model that it must agree with."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import (
    AHEAD,
    GATE_STEPS,
    BegunAnew,
    Cause,
    ControlRead,
    Gate,
    GateEvent,
    GateKey,
    Happening,
    Mended,
    PatientRead,
    RepeatExplained,
    after,
    asks,
    at_time,
    decides,
    in_doubt,
    may,
    reason_of,
    set_right,
    step,
)
from bridge.model import Actor, GateState
from bridge.tables.control_table import GatePolicy, ShutDoes
from tests.bench.gate_page import PAGE, with_diagram
from tests.tables.shipped_tables import ZONE

S, E = GateState, GateEvent

# Written by hand from the promises (a failure is never passed over, time alone opens nothing), not from the code's table.
COLUMNS = (E.LEVEL, E.SET, E.FAIL, E.EXPLAIN, E.MEND, E.COME_DUE, E.GRACE_OVER, E.BEGIN_ANEW)
GRID = """
start     start    open     failed  .       .       start     .      start
open      open     open     failed  .       .       due       .      start
due       due      open     failed  .       .       due       start  start
failed    failed   repeated locked  repeat  mended  failed    .      failed
repeat    repeat   open     locked  .       mended  repeat    .      repeat
repeated  repeated repeated locked  open    mended  failed    .      failed
locked    locked   locked   locked  .       mended  locked    .      locked
mended    mended   open     locked  .       mended  mended    .      mended
"""
EXPECTED = {
    (S(name), event): cell
    for name, *cells in (line.split() for line in GRID.split("\n") if line)
    for event, cell in zip(COLUMNS, cells, strict=True)
}
POLICY = GatePolicy(levels=frozenset({"1", "2"}), zone=ZONE, shut=ShutDoes.HOLD, day_starts=time(6))
MORNING = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)  # 07:00 in Lisbon
ANNA = Actor(name="A. Sund", verified="unverified")


def test_the_grid_names_every_pair() -> None:
    """No state and no event is forgotten."""
    assert set(EXPECTED) == {(state, event) for state in S for event in E}


@pytest.mark.parametrize(("state", "event"), [(state, event) for state in S for event in E])
def test_every_pair(state: GateState, event: GateEvent) -> None:
    """Each pair leads where the grid says, or raises and changes nothing."""
    cell = EXPECTED[state, event]
    assert may(state, event) is (cell != ".")
    if cell == ".":
        with pytest.raises(ValueError, match=f"a gate that is {state.value} cannot meet: "):
            step(state, event)
    else:
        assert step(state, event) is S(cell)


def test_results_go_in_two_states_only() -> None:
    """Open, and due while the time of grace runs."""
    assert [state for state in S if state.may_go] == [S.OPEN, S.DUE]


def test_only_three_events_open_a_gate() -> None:
    """A whole set that passed, or the explanation of a repeat that passed: nothing else, and never a failure. HZ-E03."""
    opening = {event for (state, event), to in GATE_STEPS.items() if to.may_go and not state.may_go}
    assert opening == {E.SET, E.EXPLAIN}
    assert all(not to.may_go for (_, event), to in GATE_STEPS.items() if event is E.FAIL)


def test_the_page_is_drawn_from_the_table() -> None:
    """The diagram that a coordinator reads is the machine; write it again with python -m tests.bench.gate_page."""
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_diagram(page)


# --- at the bench -------------------------------------------------------------------------------


class Bench:
    """Things that happen a minute apart, in short words; ``strip_id`` counts strips."""

    def __init__(self, policy: GatePolicy = POLICY, at: datetime = MORNING) -> None:
        self.policy, self.at, self.capture_id, self.gate = policy, at, 0, Gate()

    def do(self, *words: str) -> Bench:
        """Do each word a minute after the last: 1+ (level 1 passes), 2- (level 2 fails), 2? (does not count), p, new, service, why, mend."""
        for word in words:
            self.at += timedelta(minutes=1)
            self.gate = after(self.gate, self.happening(word), self.policy)
        return self

    def happening(self, word: str) -> Happening:
        """Give what a word says."""
        more: dict[str, Any] = {"at": self.at}
        match word:
            case "new":
                return BegunAnew(by=ANNA, cause=Cause.CONTAINER, **more)
            case "service":
                return BegunAnew(by=ANNA, cause=Cause.SERVICE, **more)
            case "why":
                return RepeatExplained(by=ANNA, reason="a drop missed two pads", **more)
            case "mend":
                return Mended(by=ANNA, cause="strips left open", action="new container", **more)
        self.capture_id += 1
        seat = (self.capture_id, 0)
        if word == "p":
            return PatientRead(seat=seat, **more)
        verdicts = {"+": RunVerdict.PASSED, "-": RunVerdict.FAILED, "?": RunVerdict.NOT_COUNTED}
        return ControlRead(seat=seat, level=word[0], verdict=verdicts[word[1]], **more)

    def later(self, **more: int) -> Bench:
        """Let time pass, and look."""
        self.at += timedelta(**more)
        self.gate = at_time(self.gate, self.at, self.policy)
        return self

    @property
    def state(self) -> GateState:
        """Give the gate's state now."""
        return self.gate.state


@pytest.mark.parametrize(
    ("happened", "state"),
    [
        ("", S.START),
        ("1+", S.START),  # one level proves half
        ("1+ 1+", S.START),
        ("1+ 2+", S.OPEN),
        ("2+ 1+", S.OPEN),
        ("1+ 2?", S.START),  # what does not count proves nothing
        ("1? 2?", S.START),
        ("1+ 2-", S.FAILED),
        ("3-", S.FAILED),  # a level that is not asked for may still show that something is wrong
        ("1+ 3+", S.START),
        ("1+ 2+ p p 2-", S.FAILED),
        ("1+ 2- 2+", S.REPEATED),  # the repeat passed, and nobody has said why it was repeated
        ("1+ 2- 2+ why", S.OPEN),
        ("1+ 2- why", S.REPEAT),
        ("1+ 2- why 2+", S.OPEN),
        ("1+ 2- why 2-", S.LOCKED),
        ("1+ 2- 2-", S.LOCKED),
        ("1+ 2- 2- 2+", S.LOCKED),  # fail, fail, pass does not open
        ("1+ 2- 2- 1+ 2+", S.LOCKED),
        ("1- 2-", S.LOCKED),  # two levels that fail are two failures
        ("1+ 2- 2- mend", S.MENDED),
        ("1+ 2- 2- mend 2+", S.MENDED),  # a new full set
        ("1+ 2- 2- mend 2+ 1+", S.OPEN),
        ("1+ 2- 2- mend 2+ 1-", S.LOCKED),  # no second repeat after a corrective action
        ("1+ 2- mend 1+ 2+", S.OPEN),
        ("1+ 2+ 2- 1+ 2+", S.REPEATED),
        ("1+ 2+ new", S.START),
        ("1+ 2+ service", S.START),
        ("1+ new 2+", S.START),  # level 1 was read before the container was opened
        ("1+ 2- new 1+ 2+", S.REPEATED),  # a new container is no corrective action by itself
        ("1+ 2- 2+ service", S.FAILED),  # what passed before it says nothing of what comes after
        ("1+ 2- 2- new", S.LOCKED),
    ],
)
def test_what_happens_at_the_bench(happened: str, state: GateState) -> None:
    """Each row is a morning that a coordinator can read. HZ-E01, HZ-E03."""
    assert Bench().do(*happened.split()).state is state


def test_a_persons_word_needs_its_moment() -> None:
    """Nobody explains a repeat of what did not fail, and an explanation is not given twice."""
    for happened, word in (("1+ 2+", "why"), ("", "mend"), ("1+ 2- 2-", "why"), ("1+ 2- why", "why")):
        with pytest.raises(ValueError, match="cannot meet"):
            Bench().do(*happened.split(), word)


def test_a_day_turns() -> None:
    """At the site's hour controls are due; without grace results wait from that minute on."""
    bench = Bench().do("1+", "2+")
    assert bench.later(hours=22, minutes=57).state is S.OPEN  # 05:59 the next morning
    assert bench.later(minutes=1).state is S.START
    assert bench.do("1+", "2+").state is S.OPEN


def test_half_a_set_does_not_outlive_the_day() -> None:
    """Level 1 of yesterday and level 2 of today are no set. HZ-E05."""
    bench = Bench().do("1+").later(hours=24).do("2+")
    assert (bench.state, bench.gate.passed) == (S.START, frozenset({"2"}))


def test_a_failure_outlives_the_day() -> None:
    """A night does not mend an analyzer."""
    assert Bench().do("1+", "2-").later(hours=24).state is S.FAILED
    assert Bench().do("1+", "2-", "2-").later(hours=24).do("1+", "2+").state is S.LOCKED
    assert Bench().do("1+", "2-", "2+").later(hours=24).do("1+", "2+", "why").state is S.OPEN
    unexplained = Bench().do("1+", "2-", "2+").later(hours=24)
    assert unexplained.state is S.FAILED  # yesterday's repeat cannot open today


def test_grace_ends() -> None:
    """Within the grace results go, and the gate says that controls are due; then it shuts."""
    bench = Bench(replace(POLICY, grace=timedelta(minutes=30))).do("1+", "2+")
    due = datetime(2026, 11, 26, 6, 0, tzinfo=UTC)
    assert (bench.later(hours=23, minutes=10).state, bench.gate.due_at) == (S.DUE, due)  # 06:12
    assert bench.later(minutes=17).state is S.DUE  # 06:29
    assert bench.do("1+").state is S.START  # 06:30: one level in time is not enough
    assert bench.gate.due_at is None
    assert Bench(bench.policy).do("1+", "2+").later(hours=23, minutes=10).do("1+", "2+", "p").state is S.OPEN


def test_a_new_morning_brings_no_new_grace() -> None:
    """Shut when yesterday's grace was over, a gate stays shut at the hour at which the next day's would begin: time alone opens nothing.

    Nobody moved the gate meanwhile, so that what came due yesterday has to be reckoned from the last that is known.
    """
    graceful = replace(POLICY, grace=timedelta(hours=4))
    bench = Bench(graceful).do("1+", "2+")
    reckoned = [at_time(bench.gate, MORNING + timedelta(hours=hours), graceful).state for hours in (22, 24, 28, 46, 47, 71)]
    assert reckoned == [
        S.OPEN,
        S.DUE,
        S.START,
        S.START,
        S.START,
        S.START,
    ]  # 05:00, 07:00, 11:00, then 05:00, 06:00 and 06:00 again


def test_there_is_no_grace_at_the_beginning() -> None:
    """Grace is for what was proved before: a new lot of strips, a new container and a repaired analyzer have none."""
    patient = replace(POLICY, grace=timedelta(hours=8))
    assert Bench(patient).do("p").state is S.START
    assert Bench(patient).do("1+", "2+", "new").state is S.START
    assert Bench(patient).do("1+", "2+", "service").state is S.START


def test_every_so_many_strips() -> None:
    """With controls due every 3 strips the third still goes and the fourth waits; a new set counts anew."""
    bench = Bench(replace(POLICY, every_strips=3)).do("1+", "2+", "p", "p")
    assert bench.state is S.OPEN
    assert bench.do("p").state is S.START
    assert bench.do("1+", "2+", "p", "p").state is S.OPEN
    graceful = Bench(replace(POLICY, every_strips=3, grace=timedelta(minutes=2))).do("1+", "2+", "p", "p", "p")
    assert graceful.state is S.DUE
    assert graceful.do("p").state is S.DUE
    assert graceful.do("p").state is S.START


def test_what_the_policy_does_not_ask_for() -> None:
    """A site may leave days, containers and service out; then only what it names shuts a gate."""
    bench = Bench(replace(POLICY, each_day=False, new_container=False, after_service=False)).do("1+", "2+", "new", "service")
    assert bench.later(days=40).state is S.OPEN
    assert bench.do("2-").state is S.FAILED


def test_a_clock_set_back_makes_nothing_due_twice() -> None:
    """An hour that comes twice leaves the gate as it was, and shuts it at its own time."""
    bench = Bench().do("1+", "2+").later(hours=23, minutes=10).do("1+", "2+")
    assert bench.state is S.OPEN  # 06:14
    bench.at -= timedelta(minutes=30)
    assert bench.do("p").later(minutes=40).state is S.OPEN


@pytest.mark.parametrize(
    ("happened", "minutes", "state"),
    [
        ("1+ 2- mend", -5, S.MENDED),  # read while the analyzer was still out of order, and told of late
        ("1+ 2+ new", -5, S.START),  # strips of the old container
        ("1+ 2+ service", -5, S.START),
        ("1+ 2- why", -5, S.REPEAT),  # no repeat: it was read before what it would repeat
        ("1+ 2- mend", -0.5, S.OPEN),  # printed to the minute
        ("1+ 2+ new", 1, S.OPEN),
    ],
)
@pytest.mark.parametrize("says", ["printed", "arrived"])
def test_controls_read_before_what_asked_for_them(happened: str, minutes: float, state: GateState, says: str) -> None:
    """The analyzer's memory sends them later, or a person decides about them later: they prove nothing of what came between."""
    bench = Bench().do(*happened.split())
    read_at = bench.at + timedelta(minutes=minutes)
    late = bench.at + timedelta(minutes=3)
    for level in ("1", "2"):
        run = ControlRead(at=late, seat=(90, 0), level=level, verdict=RunVerdict.PASSED, printed_at=read_at)
        if says == "arrived":
            run = replace(run, at=read_at, printed_at=None)
        bench.gate = after(bench.gate, run, POLICY)
    assert bench.state is state


def test_controls_of_yesterday_that_are_decided_about_today() -> None:
    """Their arrival and their printed day agree; today's controls came due since."""
    bench = Bench().do("1+", "2+").later(hours=23, minutes=30)
    for level in ("1", "2"):
        old = ControlRead(at=MORNING + timedelta(minutes=5), seat=(3, 0), level=level, verdict=RunVerdict.PASSED)
        bench.gate = after(bench.gate, old, POLICY)
    assert (bench.state, bench.gate.passed) == (S.START, frozenset())


def test_the_last_set_that_passed() -> None:
    """Look-back begins there: at the strip that completed the set, and not at a set that opened nothing."""
    assert Bench().gate.last_set is None
    assert Bench().do("1+", "2+", "p", "1+", "p").gate.last_set == (2, 0)
    assert Bench().do("1+", "2+", "p", "1+", "2+", "p", "2-").gate.last_set == (5, 0)
    assert Bench().do("1+", "2-", "2-", "1+", "2+").gate.last_set is None
    assert Bench().do("1+", "2-", "2+", "why").gate.last_set == (3, 0)


def test_a_morning_step_by_step() -> None:
    """Each happening leaves a gate behind, whatever it came to."""
    bench, states = Bench(), []
    for word in ["1+", "2?", "2-", "2+", "why", "p", "2+"]:
        bench.at += timedelta(minutes=1)
        bench.gate = after(bench.gate, bench.happening(word), POLICY)
        states.append(bench.gate.state)
    assert states == [S.START, S.START, S.FAILED, S.REPEATED, S.OPEN, S.OPEN, S.OPEN]


def test_what_decides_about_strips() -> None:
    """A whole set clears what was read before it, a failure puts it in doubt; half a set, a set that opens nothing, and people do neither."""
    bench, told = Bench(), []
    for word in ["1+", "2+", "p", "1+", "2?", "2-", "why", "2-", "1+", "2+", "mend", "1+", "2+"]:
        bench.at += timedelta(minutes=1)
        what = bench.happening(word)
        bench.gate = after(bench.gate, what, POLICY)
        told.append(decides(what, bench.gate))
    assert told == [None, True, None, None, None, False, None, False, None, None, None, None, True]


@pytest.mark.parametrize("state", list(S))
def test_which_strips_are_in_doubt(state: GateState) -> None:
    """Read while a failure stood, or with a failure as the next thing that decided."""
    stood = state in {S.FAILED, S.REPEAT, S.REPEATED, S.LOCKED}
    assert [in_doubt(state, decided) for decided in (None, True, False)] == [stood, stood, True]


def test_a_persons_word_is_an_event_with_a_reason() -> None:
    """What is kept of it is one text."""
    bench = Bench()
    words = [bench.happening(word) for word in ("new", "service", "why", "mend")]
    assert [(asks(word), reason_of(word)) for word in words if not isinstance(word, ControlRead | PatientRead)] == [
        (E.BEGIN_ANEW, "a new container was opened"),
        (E.BEGIN_ANEW, "the analyzer was maintained, repaired or returned"),
        (E.EXPLAIN, "a drop missed two pads"),
        (E.MEND, "strips left open; new container"),
    ]


def test_a_gate_is_one_analyzers_and_one_lots() -> None:
    """Controls of one lot of strips open no other's gate."""
    key = GateKey(analyzer="bench-1", strip_type="quill-10", strip_lot="L100")
    assert key != replace(key, strip_lot="L101") != replace(key, analyzer="bench-2")


# --- a plain model ------------------------------------------------------------------------------

WORDS = st.lists(st.sampled_from(["1+", "2+", "1-", "2-", "1?", "p", "new", "service", "why", "mend", "day"]), max_size=30)


def opened_by_the_rules(words: list[str]) -> bool:
    """Say by looking back over all that happened, without states, whether results may go after it (no grace, nothing due by count).

    Both levels passed since the last thing that asks for new controls; and since the last failure there is a corrective action with
    both levels passed after it, or it was the only failure since the gate was last open, and a person has explained it.
    """
    since_anew = max((index for index, word in enumerate(words) if word in {"new", "service", "day"}), default=-1)
    failures = [index for index, word in enumerate(words) if word in {"1-", "2-"}]
    if not failures:
        return {"1+", "2+"} <= set(words[since_anew + 1 :])
    last = failures[-1]
    mended = max((index for index, word in enumerate(words) if word == "mend"), default=-1)
    if mended > last:
        return {"1+", "2+"} <= set(words[max(mended, since_anew) + 1 :])
    was_open = opened_by_the_rules(words[:last])
    first_of_its_kind = was_open or (len(failures) == 1 and mended < 0)
    repeated = f"{words[last][0]}+" in words[last:] and {"1+", "2+"} <= set(words[since_anew + 1 :])
    return first_of_its_kind and repeated and "why" in words[last:]


def meaningful(words: list[str]) -> list[str]:
    """Leave out what a gate in that state has no use for: pages do not offer it."""
    bench, kept = Bench(), []
    for word in words:
        events = {"why": E.EXPLAIN, "mend": E.MEND}
        if word in events and not may(bench.state, events[word]):
            continue
        kept.append(word)
        if word == "day":
            bench.later(hours=24)
        else:
            bench.do(word)
    return kept


@settings(max_examples=400)
@given(WORDS)
def test_the_gate_keeps_its_promises(words: list[str]) -> None:
    """Over any days: open only as the rules, said without states, allow; a failure shuts at once; time and patients never open. HZ-E01, HZ-E02."""
    bench, so_far = Bench(), list[str]()
    for word in meaningful(words):
        was_open = bench.state.may_go
        if word == "day":
            bench.later(hours=24)
        else:
            bench.do(word)
        so_far.append(word)
        if bench.state.may_go:
            assert opened_by_the_rules(so_far), so_far
        if word in {"1-", "2-"}:
            assert not bench.state.may_go
        if word in {"p", "day", "new", "service", "1?", "mend"} and not was_open:
            assert not bench.state.may_go


@settings(max_examples=400)
@given(WORDS)
def test_the_gate_opens_when_all_is_done(words: list[str]) -> None:
    """Whatever went before, no gate is shut for ever: what its state asks for, then a full set, opens it."""
    bench = Bench()
    for word in meaningful(words):
        bench.later(hours=24) if word == "day" else bench.do(word)
    if may(bench.state, E.MEND):
        bench.do("mend")
    assert bench.do("1+", "2+").state is S.OPEN


@given(WORDS, st.integers(0, 40), st.integers(1, 3000))
def test_looking_more_often_changes_nothing(words: list[str], seat: int, minutes: int) -> None:
    """A page that asks how the gate stands moves nothing: the same happenings come to the same gate, looked at between or not."""
    policy = replace(POLICY, grace=timedelta(minutes=20), shifts=(time(14),))
    kept = meaningful(words)
    plain, looked = Bench(policy), Bench(policy)
    for index, word in enumerate(kept):
        for bench in (plain, looked):
            if index == seat:
                bench.at += timedelta(minutes=minutes)
                if bench is looked:
                    for part in range(1, 4):
                        bench.gate = at_time(bench.gate, bench.at - timedelta(minutes=minutes * (3 - part) / 4), policy)
            bench.at += timedelta(minutes=1)
            try:
                bench.gate = after(bench.gate, bench.happening("p" if word == "day" else word), policy)
            except ValueError:
                return  # with grace a word may come where the gate has no use for it
    assert plain.gate == looked.gate


@pytest.mark.parametrize("state", list(S))
def test_a_clock_that_was_ahead_and_is_set_right_asks_for_controls(state: GateState) -> None:
    """HZ-E10: a gate that a clock two days ahead moved is as after a service: open no more, and a failure stays one. An hour is no matter."""
    ahead = Gate(state=state, as_of=MORNING + timedelta(days=2), passed=frozenset({"1"}), since=MORNING + timedelta(days=2))
    right = set_right(ahead, MORNING)
    assert right == replace(
        ahead, state=S(EXPECTED[state, E.BEGIN_ANEW]), as_of=MORNING, passed=frozenset(), since=MORNING - AHEAD
    )
    assert not right.state.may_go
    assert set_right(ahead, MORNING + timedelta(days=2) - AHEAD) == ahead
    assert set_right(Gate(), MORNING) == Gate()
    tomorrow = at_time(right, MORNING + timedelta(days=1), POLICY)
    assert (tomorrow.as_of, tomorrow.state) == (MORNING + timedelta(days=1), S(EXPECTED[right.state, E.COME_DUE]))
