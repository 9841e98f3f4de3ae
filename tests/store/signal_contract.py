"""What every store must keep of signals, of what is said of them, and of what people do about them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from bridge.errors import Overtaken
from bridge.model import Answer, Priority, Severity, Waiting
from bridge.signals.causes import Standing, Stuck
from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import Signal, SignalState, What
from bridge.store.api import Store
from bridge.store.commands import (
    AcknowledgeSignal,
    KeepSignals,
    KeepTest,
    MuteSignals,
    NewSay,
    NoteOnSignal,
    NoteSaid,
)
from bridge.store.digest_commands import KeepDigest
from bridge.store.rows import MuteRow, SayRow, SayState
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, attempt, checked, finding, held, later, post, reading, record

DOWN = Cause(kind=Kind.RECEIVER, subject="records", since=NOW, count=3)
OPENED = Signal(
    kind=Kind.RECEIVER, state=SignalState.OPEN, causes=(DOWN,), since=NOW, opened_at=NOW, known=("records",), said_at=NOW
)
MAIL = NewSay(way="mail", what=What.OPENED, headline="A receiver takes nothing", text="records", due_at=NOW)


def keep(store: Store, signal: Signal, *says: NewSay, at: datetime = NOW) -> int:
    """Keep one signal; give its id."""
    ids: tuple[int, ...] = store.submit(KeepSignals(signals=((signal, says),), at=at)).result(WAIT)
    return ids[0]


def told(store: Store, signal_id: int) -> list[tuple[str, str, SayState, int, str]]:
    """Give what was said of a signal, in short."""
    return [(row.way, row.what, row.state, row.tries, row.fault) for row in store.says_of(signal_id)]


class SignalContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_signal_outlives_a_restart(self, opened: Opened) -> None:
        """An open signal is neither forgotten nor opened a second time; one kind has one signal."""
        signal_id = keep(opened.store, OPENED)
        store = opened.restart()
        kept_one = replace(OPENED, signal_id=signal_id, version=1)
        assert store.standing_signals() == (kept_one,)
        assert keep(store, OPENED) == 0
        other = replace(OPENED, kind=Kind.ROOM, causes=(), known=())
        assert keep(store, other) > signal_id
        assert [each.kind for each in store.standing_signals()] == [Kind.RECEIVER, Kind.ROOM]
        moves = [(event.what, event.before, event.after) for event in store.events(f"signal:{signal_id}")]
        assert moves == [("signal.moved", "", "open")]

    def test_who_looked_at_an_older_state_changes_nothing(self, opened: Opened) -> None:
        """A look and a person at the same moment: the person's word stands, and the look sees it the next time."""
        signal_id = keep(opened.store, OPENED)
        (seen,) = opened.store.standing_signals()
        word = AcknowledgeSignal(signal_id=signal_id, actor=EDA, reason="on the phone with them", at=later(1))
        opened.store.submit(word).result(WAIT)
        assert keep(opened.store, replace(seen, state=SignalState.EASING), at=later(1)) == 0
        (now,) = opened.store.standing_signals()
        assert (now.state, now.acknowledged_by, now.acknowledged_at, now.version) == (
            SignalState.ACKNOWLEDGED,
            "Eda",
            later(1),
            2,
        )
        last = opened.store.events(f"signal:{signal_id}")[-1]
        assert (last.what, last.actor, last.before, last.after, last.reason) == (
            "signal.acknowledged", "Eda", "open", "acknowledged", "on the phone with them",
        )  # fmt: skip
        for number in (signal_id, 999):
            with pytest.raises(Overtaken, match="acknowledged this signal already"):
                opened.store.submit(replace(word, signal_id=number)).result(WAIT)
        assert keep(opened.store, replace(now, state=SignalState.ENDED), at=later(2)) == signal_id
        assert opened.store.standing_signals() == ()
        assert [each.signal_id for each in opened.store.ended_signals(limit=5)] == [signal_id]
        assert keep(opened.store, OPENED) > signal_id

    def test_what_is_to_be_said_is_kept_with_the_signal(self, opened: Opened) -> None:
        """After a crash between keeping and saying it is said; once said it is not said again. Row by row the same, whichever the store."""
        held_back = replace(MAIL, way="pager", due_at=later(30))
        signal_id = keep(opened.store, OPENED, MAIL, held_back)
        store = opened.restart()
        (due,) = store.due_says(now=NOW, limit=10)
        assert due == SayRow(
            say_id=due.say_id, signal_id=signal_id, way="mail", what="opened", headline=MAIL.headline, text="records", at=NOW,
            state=SayState.DUE, due_at=NOW, tries=0, ended_at=None, fault="", actor="",
        )  # fmt: skip
        store.submit(NoteSaid(say_id=due.say_id, at=NOW, fault="nobody answers", due_at=later(1))).result(WAIT)
        assert store.due_says(now=NOW, limit=10) == ()
        store.submit(NoteSaid(say_id=due.say_id, at=later(1))).result(WAIT)
        assert told(store, signal_id) == [("mail", "opened", SayState.SAID, 2, ""), ("pager", "opened", SayState.DUE, 0, "")]
        assert [row.way for row in store.due_says(now=later(30), limit=10)] == ["pager"]
        pager = store.due_says(now=later(30), limit=1)[0]
        store.submit(NoteSaid(say_id=pager.say_id, at=later(30), fault="refused")).result(WAIT)
        assert told(store, signal_id)[1] == ("pager", "opened", SayState.GIVEN_UP, 1, "refused")
        assert [row.way for row in store.newest_says(limit=1)] == ["pager"]

    def test_a_newer_word_takes_the_place_of_one_that_was_not_said(self, opened: Opened) -> None:
        """After a night of quiet hours one mail comes, not ten; and an end is told only to who heard of the beginning."""
        signal_id = keep(opened.store, OPENED, MAIL, replace(MAIL, way="hook"))
        hook = opened.store.due_says(now=NOW, limit=10)[1]
        opened.store.submit(NoteSaid(say_id=hook.say_id, at=NOW)).result(WAIT)
        (seen,) = opened.store.standing_signals()
        again = replace(MAIL, what=What.REPEATED)
        keep(opened.store, seen, again, at=later(1))
        assert [(row.what, row.state) for row in opened.store.says_of(signal_id) if row.way == "mail"] == [
            ("opened", SayState.DROPPED),
            ("repeated", SayState.DUE),
        ]
        (seen,) = opened.store.standing_signals()
        over = replace(MAIL, what=What.ENDED)
        keep(opened.store, replace(seen, state=SignalState.ENDED), over, replace(over, way="hook"), at=later(2))
        assert [(row.way, row.what) for row in opened.store.due_says(now=later(2), limit=10)] == [("hook", "ended")]
        assert [row.ended_at for row in opened.store.says_of(signal_id) if row.what == "repeated"] == [later(2)]

    def test_an_acknowledgement_and_a_mute_drop_what_was_not_said(self, opened: Opened) -> None:
        """Who has it in hand is not called a second time; a muted kind is not heard of until its time is over."""
        signal_id = keep(opened.store, OPENED, MAIL)
        opened.store.submit(AcknowledgeSignal(signal_id=signal_id, actor=BO, reason="", at=later(1))).result(WAIT)
        assert opened.store.due_says(now=later(9), limit=10) == ()
        other = keep(opened.store, replace(OPENED, kind=Kind.WAITING), MAIL)
        mute = MuteSignals(kind=Kind.WAITING, until=later(60), actor=EDA, reason="known fault", at=later(1))
        opened.store.submit(mute).result(WAIT)
        assert told(opened.store, other) == [("mail", "opened", SayState.DROPPED, 0, "")]
        row = MuteRow(kind=Kind.WAITING, until=later(60), by=EDA, at=later(1), reason="known fault")
        assert opened.restart().muted_kinds(now=later(2)) == (row,)
        assert opened.store.muted_kinds(now=later(60)) == ()
        opened.store.submit(replace(mute, until=later(3), at=later(3), reason="mended")).result(WAIT)
        assert opened.store.muted_kinds(now=later(3)) == ()
        history = [(event.actor, event.after, event.reason) for event in opened.store.events("signals:waiting")]
        assert history == [("Eda", "muted", "known fault"), ("Eda", "heard", "mended")]

    def test_what_was_sent_just_before_it_was_dropped_counts_as_said(self, opened: Opened) -> None:
        """A mail under way when a person acknowledges has gone; a try that failed stays dropped."""
        signal_id = keep(opened.store, OPENED, MAIL, replace(MAIL, way="hook"))
        mail, hook = opened.store.due_says(now=NOW, limit=10)
        opened.store.submit(AcknowledgeSignal(signal_id=signal_id, actor=BO, reason="", at=later(1))).result(WAIT)
        opened.store.submit(NoteSaid(say_id=mail.say_id, at=later(1))).result(WAIT)
        opened.store.submit(NoteSaid(say_id=hook.say_id, at=later(1), fault="lost", due_at=later(2))).result(WAIT)
        assert told(opened.store, signal_id) == [
            ("mail", "opened", SayState.SAID, 1, ""),
            ("hook", "opened", SayState.DROPPED, 0, ""),
        ]

    def test_notes_and_tests_are_kept(self, opened: Opened) -> None:
        """A note stands in the signal's history; a test says who asked for it and what came of it."""
        signal_id = keep(opened.store, OPENED)
        opened.store.submit(NoteOnSignal(signal_id=signal_id, actor=BO, text="cable replaced", at=later(1))).result(WAIT)
        note = opened.store.events(f"signal:{signal_id}")[-1]
        assert (note.what, note.actor, note.reason) == ("signal.noted", "Bo", "cable replaced")
        with pytest.raises(Overtaken, match="no such signal"):
            opened.store.submit(NoteOnSignal(signal_id=999, actor=BO, text="x", at=NOW)).result(WAIT)
        for way, fault in (("mail", ""), ("hook", "nobody answers")):
            opened.store.submit(KeepTest(way=way, headline="a test", fault=fault, actor=EDA, at=later(2))).result(WAIT)
        found = [(row.way, row.what, row.state, row.fault, row.actor, row.signal_id) for row in opened.store.newest_says(limit=2)]
        assert found == [
            ("hook", "test", SayState.GIVEN_UP, "nobody answers", "Eda", None),
            ("mail", "test", SayState.SAID, "", "Eda", None),
        ]

    def test_what_stands_too_long_is_counted(self, opened: Opened) -> None:
        """Hazard: a STAT strip that is stopped, or that no receiver has, is found by its age; a routine one is only counted. HZ-I05."""
        store = opened.store
        assert (store.old_stops(before=later(60)), store.stuck_stat(before=later(60), limit=9)) == (None, ())
        assert store.waiting_for_controls() == ()
        record(store, reading("1"), held(reading("1")))
        urgent = record(store, reading("2"), held(reading("2"), priority=Priority.STAT), at=later(1))
        sent = post(store, "3", priority=Priority.STAT, destinations=("records", "chart"))
        post(store, "4")
        assert store.old_stops(before=later(60)) == Standing(count=2, since=NOW)
        assert store.old_stops(before=NOW - timedelta(seconds=1)) is None
        stop, strip = urgent.stop_id, sent.strip_id
        assert store.stuck_stat(before=later(60), limit=9) == (
            Stuck(subject=f"stop:{stop}", since=later(1)),
            Stuck(subject=f"strip:{strip}", since=NOW),
        )
        assert store.stuck_stat(before=NOW, limit=9) == (Stuck(subject=f"strip:{strip}", since=NOW),)
        for found in sent.delivery_ids:
            attempt(store, found, Answer.ACCEPTED)
        assert store.stuck_stat(before=NOW, limit=9) == ()

    def test_strips_that_wait_for_controls_are_counted_by_analyzer(self, opened: Opened) -> None:
        """A gate that stays shut while patients' strips wait is told of; a STAT strip among them is stuck."""
        for number, priority in (("1", Priority.ROUTINE), ("2", Priority.STAT)):
            waits = Waiting(
                checked=checked(reading(number), priority=priority), findings=(finding("controls.missing", Severity.HOLD),)
            )
            record(opened.store, reading(number), waits)
        assert opened.store.waiting_for_controls() == (Standing(name="brook-1", count=2, since=NOW),)
        assert [each.since for each in opened.store.stuck_stat(before=NOW, limit=9)] == [NOW]

    def test_a_digest_is_kept_once_for_its_time(self, opened: Opened) -> None:
        """The first time of a store is only marked; the same time, or an earlier one, is kept no more, also after a restart."""
        store = opened.store
        assert store.last_digest() is None

        def keep(due: int, headline: str = "h") -> bool:
            command = KeepDigest(due=later(due), ways=("lab", "chief"), headline=headline, text="t", at=later(due))
            kept: bool = opened.store.submit(command).result(WAIT)
            return kept

        assert [keep(0), keep(10), keep(10), keep(5)] == [False, True, False, False]
        assert opened.restart().last_digest() == later(10)
        assert not keep(10)
        assert keep(20, "next")
        says = [(row.way, row.what, row.headline, row.signal_id, str(row.state)) for row in opened.store.newest_says(limit=9)]
        assert says == [
            ("chief", "digest", "next", None, "due"),
            ("lab", "digest", "next", None, "due"),
            ("chief", "digest", "h", None, "dropped"),
            ("lab", "digest", "h", None, "dropped"),
        ]
        assert [event.after for event in opened.store.events("digest")] == ["kept", "kept"]
