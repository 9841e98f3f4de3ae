"""A month of controls: worked by hand, from the gate's own history; what is signed is read back as it stood."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from bridge.bench.charts import Counts, Side
from bridge.bench.controls import Fit, PadFit
from bridge.bench.look_back import Verdict
from bridge.bench.month import (
    Action,
    Facts,
    Failure,
    Followed,
    Happened,
    Month,
    Opened,
    PadMonth,
    Release,
    Review,
    Reviewed,
    StripLot,
    UsedLot,
    content_of,
    counts_since_signing,
    digest_of,
    length_words,
    month_of,
    review_from,
    review_of,
    things_left,
    window_of,
)
from bridge.bench.month_due import Use
from bridge.bench.run_text import KeptRun
from bridge.model import SERVICE, Actor, GateState
from bridge.tables.control_table import DriftRule, GatePolicy, ShutDoes

S = GateState
POLICY = GatePolicy(levels=frozenset({"1", "2"}), zone=ZoneInfo("Europe/Lisbon"), shut=ShutDoes.WAIT, day_starts=time(6))
RULE = DriftRule(off=3, of=20)
MONTH = month_of("bench-a", "quill-10", date(2026, 11, 1), POLICY)
ANNA, BRAM = Actor(name="A. Sund", verified="unverified"), Actor(name="B. Rook", verified="unverified")
DECEMBER = datetime(2026, 12, 15, tzinfo=UTC)
LOT = "24A01"


def at(day: int, clock: str) -> datetime:
    """Give a time in November 2026; Lisbon keeps UTC then."""
    return datetime.combine(date(2026, 11, 1) + timedelta(days=day - 1), time.fromisoformat(clock), tzinfo=UTC)


class History:
    """Lines of one gate, as judging writes them."""

    def __init__(self) -> None:
        self.lines: list[Happened] = []
        self.state = S.START

    def _add(self, then: datetime, after: GateState, **more: object) -> Happened:
        bare = Happened(
            line_id=len(self.lines) + 1, at=then, seat=(len(self.lines) + 1, 0), strip_lot=LOT, what="", before=self.state, after=after, level="",
            run=None, is_set=False, by=SERVICE, reason="",
        )  # fmt: skip
        line = replace(bare, **more)  # type: ignore[arg-type] # a line's own fields, of several types
        self.lines.append(line)
        self.state = after
        return line

    def run(
        self, then: datetime, level: str, after: GateState, *, what: str = "passed", is_set: bool = False, blood: int = 0
    ) -> Happened:
        """Add a control; ``blood``: how many steps it was off."""
        pad = PadFit(pad="blood", expected=(2,), observed=2 + blood, offset=blood, fit=Fit.OUTSIDE if blood else Fit.WITHIN)
        kept = KeptRun(material="birch", level=level, lot=f"B{level}", unmatched=None, flaws=(), pads=(pad,))
        return self._add(then, after, what=what, level=level, run=kept, is_set=is_set)

    def word(self, then: datetime, what: str, after: GateState, reason: str, by: Actor = ANNA) -> Happened:
        """Add a person's word."""
        return self._add(then, after, what=what, by=by, reason=reason)

    def day(self, day: int, *, blood: int = 0) -> None:
        """Add a morning's set."""
        self.run(at(day, "07:00"), "1", self.state)
        self.run(at(day, "07:05"), "2", S.OPEN, is_set=True, blood=blood)


def facts(history: History, uses: tuple[Use, ...] = (), **more: object) -> Facts:
    """Give what is known."""
    return Facts(history=history.lines, uses=uses, stood={}, **more)  # type: ignore[arg-type] # the facts' own fields


def review(known: Facts, *, now: datetime = DECEMBER) -> Review:
    """Make the review."""
    return review_of(MONTH, known, POLICY, RULE, now=now)


@pytest.fixture
def failed() -> History:
    """Give a month with a failure on the 3rd, its repair, and a run over the month's end."""
    history = History()
    history.day(2)
    history.run(at(3, "07:00"), "1", S.START)
    history.run(at(3, "07:05"), "2", S.FAILED, what="failed", blood=-2)
    history.word(at(3, "07:30"), "mend", S.MENDED, "strips left open; new container")
    history.run(at(3, "07:40"), "1", S.MENDED)
    history.run(at(3, "07:45"), "2", S.OPEN, is_set=True)
    return history


def test_a_month_is_its_control_days() -> None:
    """From the site's hour on the first to the same hour on the next first, by its wall clock: October begins in summer time and ends in winter's."""
    october = month_of("bench-a", "quill-10", date(2026, 10, 1), POLICY)
    assert (october.begins, october.ends) == (datetime(2026, 10, 1, 5, tzinfo=UTC), datetime(2026, 11, 1, 6, tzinfo=UTC))
    assert month_of("bench-a", "quill-10", date(2026, 12, 1), POLICY).ends == datetime(2027, 1, 1, 6, tzinfo=UTC)
    assert (window_of(MONTH).since, window_of(MONTH).until) == (at(1, "06:00") - timedelta(days=92), at(62, "06:00"))
    with pytest.raises(ValueError, match="is not the first day of a month"):
        month_of("bench-a", "quill-10", date(2026, 10, 2), POLICY)


def test_sets_lots_and_hours(failed: History) -> None:
    """Two days of use, each with its set; the third asked for one more, by its repair. Every lot with what was read of it."""
    boxes = (Opened(strip_lot=LOT, opened_at=at(1, "08:00"), expires=date(2027, 3, 31)),)
    found = review(
        facts(
            failed,
            (Use(strip_lot=LOT, at=at(2, "08:00"), strips=5), Use(strip_lot=LOT, at=at(3, "08:00"), strips=2, noted=1)),
            containers=boxes,
        )
    )
    assert (found.asked, found.done, found.besides, found.missed, found.noted) == (2, 2, 0, (), 1)
    assert found.strip_lots == (StripLot(lot=LOT, strips=7, runs=6, expires=date(2027, 3, 31), opened=(at(1, "08:00"),)),)
    assert found.control_lots == (
        UsedLot(material="birch", level="1", lot="B1", passed=3, failed=0, not_counted=0),
        UsedLot(material="birch", level="2", lot="B2", passed=2, failed=1, not_counted=0),
    )
    (hours,) = found.hours
    assert (hours.open, hours.waiting, hours.failed) == (
        timedelta(hours=22, minutes=55)
        + timedelta(minutes=15),  # from 07:05 to the next day's 06:00, then from the set to the last strip
        timedelta(minutes=5) + timedelta(hours=1, minutes=5),
        timedelta(minutes=40),
    )


def test_a_failure_and_what_followed(failed: History) -> None:
    """The pads that were off, who put what right, the runs behind it, and when results might go again; a person's corrective action beside it."""
    action = Action(line_id=4, text="staff told to close the container", by=BRAM, at=at(4, "09:00"))
    (failure,) = review(facts(failed, actions=(action,))).failures
    assert failure == Failure(
        line_id=4,
        at=at(3, "07:05"),
        strip_lot=LOT,
        level="2",
        lot="B2",
        pads=("blood",),
        followed=(
            Followed(at=at(3, "07:30"), what="mend", level="", by="A. Sund", text="strips left open; new container"),
            Followed(at=at(3, "07:40"), what="passed", level="1", by="", text=""),
            Followed(at=at(3, "07:45"), what="passed", level="2", by="", text=""),
        ),
        more=0,
        open_at=at(3, "07:45"),
        actions=(action,),
    )
    assert failure.is_explained
    assert not replace(failure, followed=(), actions=()).is_explained


def test_of_what_followed_the_first_runs_and_every_word_are_told() -> None:
    """A gate that stays shut for weeks: six runs, then only words and what opens it; behind another failure its own entry tells of the runs."""
    history = History()
    history.run(at(2, "07:00"), "1", S.LOCKED, what="failed", blood=1)
    for day in range(3, 12):
        history.run(at(day, "07:00"), "1", S.LOCKED)
    history.word(at(12, "08:00"), "mend", S.MENDED, "old vial; new vial")
    history.run(at(12, "08:10"), "1", S.MENDED)
    history.run(at(12, "08:15"), "2", S.OPEN, is_set=True)
    (failure,) = review(facts(history)).failures
    assert ([each.what for each in failure.followed], failure.more) == (["passed"] * 6 + ["mend", "passed"], 4)
    assert (failure.followed[-1].at, failure.open_at, failure.is_explained) == (at(12, "08:15"), at(12, "08:15"), True)
    again = History()
    again.run(at(2, "07:00"), "1", S.FAILED, what="failed", blood=1)
    again.run(at(2, "07:10"), "1", S.LOCKED, what="failed", blood=1)
    again.run(at(2, "07:20"), "2", S.LOCKED)
    first, second = review(facts(again)).failures
    assert [[each.what for each in failure.followed] for failure in (first, second)] == [["failed"], ["passed"]]
    assert (first.more, second.more, first.open_at) == (1, 0, None)


def test_what_followed_in_the_next_month_is_told() -> None:
    """A failure on the last day that is put right on the first of the next."""
    history = History()
    history.run(at(30, "07:00"), "1", S.FAILED, what="failed", blood=1)
    alone = review(facts(history))
    assert things_left(alone) == (
        "1 failure nobody wrote anything of",
        "1 failure that no set followed which opened its gate again",
    )
    history.word(at(31, "08:00"), "mend", S.MENDED, "old vial; new vial")
    history.run(at(31, "08:10"), "1", S.MENDED)
    history.run(at(31, "08:15"), "2", S.OPEN, is_set=True)
    behind = review(facts(history))
    assert behind.failures[0].open_at == at(31, "08:15")
    assert (behind.runs, things_left(behind)) == ((1,), ())
    assert behind.hours[0].failed == at(31, "06:00") - at(30, "07:00")


def test_steps_off_are_counted_by_lot_and_drift_by_pad() -> None:
    """Counts of the month alone; the warning looks at the last runs by its end, also those of the month before (HZ-E09)."""
    history = History()
    for day in (-3, -2, 2, 3):
        history.day(day, blood=-1)
    found = review(facts(history))
    assert found.pads == (
        PadMonth(pad="blood", level="1", lot="B1", counts=Counts(exact=2, one=0, more=0), drift=None),
        PadMonth(pad="blood", level="2", lot="B2", counts=Counts(exact=0, one=2, more=0), drift=Side.LOW),
    )
    assert [each.level for each in found.drifting] == ["2"]
    assert things_left(found) == ("1 pad and level off on one side too often",)


def test_a_gate_that_stood_open_from_before(failed: History) -> None:
    """How it stood when the history began, or at its last line before the month, is where its hours begin."""
    known = Facts(history=(), uses=(Use(strip_lot=LOT, at=at(1, "08:00"), strips=1),), stood={LOT: S.LOCKED})
    assert review(known, now=at(1, "10:00")).hours[0].failed == timedelta(hours=4)  # it still is
    history = History()
    history.day(-1)
    opened = review(facts(history, (Use(strip_lot=LOT, at=at(1, "05:00") + timedelta(hours=1, minutes=30), strips=1),)))
    assert (opened.asked, opened.done, len(opened.missed)) == (1, 0, 1)


def test_what_is_left_is_said_with_counts() -> None:
    """A set that was not done, and a result of a look-back that nobody decided about; releases are told and not asked about."""
    looked = Reviewed(strip_id=7, number="7", strip_lot=LOT, failed_at=at(2, "07:00"), verdict=None, by=None, at=None, reason="")
    let_go = Release(strip_id=8, number="8", strip_lot=LOT, by=ANNA, at=at(2, "08:00"), reason="theatre waits")
    uses = (Use(strip_lot=LOT, at=at(2, "08:00"), strips=3),)
    found = review(facts(History(), uses, reviewed=(looked, replace(looked, verdict=Verdict.STANDS)), releases=(let_go,)))
    assert things_left(found) == (
        "1 set of controls that was due was not done",
        "1 result of a look-back nobody has decided about",
    )
    assert found.releases == (let_go,)


def test_a_signed_month_is_read_back_as_it_stood(failed: History) -> None:
    """To the last figure; its digest is SHA-256 of its text, so that anybody can compute it again."""
    uses = (Use(strip_lot=LOT, at=at(2, "08:00"), strips=5),)
    looked = Reviewed(
        strip_id=7,
        number="7",
        strip_lot=LOT,
        failed_at=at(3, "07:05"),
        verdict=Verdict.STANDS,
        by=ANNA,
        at=at(4, "08:00"),
        reason="x",
    )
    known = facts(failed, uses, reviewed=(looked,), actions=(Action(line_id=4, text="told", by=BRAM, at=at(4, "09:00")),))
    made = review(known)
    content = content_of(made)
    assert review_from(content) == made
    assert content_of(review_from(content)) == content
    assert (
        digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )  # FIPS 180-4, its worked example
    with pytest.raises(ValueError, match="validation error"):
        review_from("{}")


def test_what_came_after_signing_is_named(failed: History) -> None:
    """Nothing where nothing changed; else which parts, with counts."""
    uses = (Use(strip_lot=LOT, at=at(2, "08:00"), strips=5),)
    signed = review(facts(failed, uses))
    assert counts_since_signing(signed, review(facts(failed, uses))) == ()
    acted = review(facts(failed, uses, actions=(Action(line_id=4, text="told", by=BRAM, at=at(4, "09:00")),)))
    assert counts_since_signing(signed, acted) == ((1, ("failure, or word on one", "failures, or words on them")),)
    failed.run(at(4, "07:00"), "1", S.OPEN)
    later = review(facts(failed, uses))
    assert [(count, one) for count, (one, _) in counts_since_signing(signed, later)] == [
        (1, "control run"),
        (1, "lot of strips"),
        (1, "lot of control material"),
        (1, "pad's counts"),
    ]
    assert counts_since_signing(signed, replace(signed, noted=3)) == ()


def test_a_length_is_said_in_hours_and_minutes() -> None:
    """Rounded to the minute."""
    assert [length_words(timedelta(seconds=each)) for each in (0, 59, 3600 * 30 + 61)] == [
        "0 h 00 min",
        "0 h 01 min",
        "30 h 01 min",
    ]


def test_a_month_of_nothing() -> None:
    """An empty month is told as one."""
    assert review(facts(History())) == Review(
        version=1, month=MONTH, strip_lots=(), control_lots=(), sets=(), runs=(), failures=(), pads=(), releases=(), reviewed=(), hours=(), noted=0
    )  # fmt: skip
    assert isinstance(MONTH, Month)
