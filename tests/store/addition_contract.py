"""What every store must do with results that wait for additions: they keep their place in the lane, go once, and say what was added."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from bridge.added import Addable, AddedFacts, Addition
from bridge.bench.corrections import Kind
from bridge.errors import Overtaken
from bridge.model import Coded, CodedResult, DeliveryState, Priority
from bridge.store.addition_commands import AddedWrite, AddToHeld, AddToResult, EndAwaiting
from bridge.store.api import Store
from bridge.store.commands import BearMessage, RecordedOutcome, RecordOutcome
from bridge.store.rows import AwaitedRow
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.correction_contract import change
from tests.store.strips import BO, EDA, NOW, WAIT, later

COLOUR, CLARITY = Addable.COLOUR, Addable.CLARITY
YELLOW = Addition(what=COLOUR, word="yellow", by="Bo", at=NOW)
CLEAR = Addition(what=CLARITY, word="clear", by="Bo", at=NOW)
ASKS = AddedWrite(asks=(COLOUR, CLARITY), due_at=later(10), holds=False, hurries=False)


def waiting(
    store: Store, result_id: str, *, write: AddedWrite | None = ASKS, patient: str = "4711", priority: Priority = Priority.ROUTINE
) -> RecordedOutcome:
    """Record a coded strip whose result waits as ``write`` says; its messages for two receivers are unborn."""
    of, made = s.reading(result_id, patient=patient), s.result(result_id, patient=patient, priority=priority)
    capture_id = s.keep(store, of.record_digest.encode(), analyzer=of.analyzer)
    intake = store.next_intake(of.analyzer)
    assert intake is not None
    going = [s.delivery(s.message(made, f"{result_id}{to[:3]}", destination=to), born=False) for to in ("records", "chart")]
    recorded: RecordedOutcome = store.submit(
        RecordOutcome(
            intake_id=intake.intake_id, capture_id=capture_id, reading=of, outcome=Coded(checked=s.checked(of, priority=priority), result=made),
            deliveries=tuple(going), tables_digest="t", at=NOW, ends_intake=True, added=write,
        )
    ).result(WAIT)  # fmt: skip
    return recorded


def unborn(store: Store) -> list[str]:
    """Name the results whose message for ``records`` may be made."""
    return [result.result_id for _, result in store.unborn("records", limit=99)]


def bear(store: Store) -> None:
    """Make every message that may be made."""
    for delivery_id, result in store.unborn("records", limit=99):
        made = s.message(result, f"{result.result_id}rec")
        store.submit(BearMessage(delivery_id=delivery_id, message=made, at=NOW)).result(WAIT)


def one(store: Store) -> AwaitedRow:
    """Give the only one that waits."""
    (row,) = store.awaited()
    return row


def known(store: Store, result_id: str) -> CodedResult:
    """Give a result as it is kept."""
    detail = store.result(result_id)
    assert detail is not None
    assert detail.result is not None
    return detail.result


def add(store: Store, row: AwaitedRow, *additions: Addition) -> None:
    """Add to one that waits, by Bo."""
    made = replace(known(store, row.result_id), additions=additions)
    store.submit(AddToResult(awaited_id=row.awaited_id, additions=additions, made=made, actor=BO, at=NOW)).result(WAIT)


def facts(store: Store, recorded: RecordedOutcome) -> AddedFacts | None:
    """Give what judging is told of additions to a strip."""
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    return store.reading_facts(strip.capture_id, strip.index, record_digest=strip.record_digest).added


class AdditionContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def store(self, opened: Opened) -> Store:
        return opened.store

    def test_a_later_result_of_the_patient_waits_behind_and_others_go(self, store: Store) -> None:
        """The lane's own rule: what waits heads its lane, unborn, so nothing of the same patient overtakes it (HZ-H12)."""
        waiting(store, "W1")
        s.post(store, "L1")
        s.post(store, "O1", patient="4712")
        assert unborn(store) == []
        assert s.heads(store) == ["O1"]
        assert (one(store).result_id, one(store).asks, one(store).due_at) == ("W1", (COLOUR, CLARITY), later(10))
        add(store, one(store), YELLOW, CLEAR)
        assert unborn(store) == ["W1"]
        bear(store)
        assert s.heads(store) == ["W1", "O1"]
        assert store.awaited() == ()

    def test_what_was_added_is_kept_with_who_and_the_result_says_it(self, store: Store) -> None:
        """The event names the person and the words; judging the strip again would know them."""
        recorded = waiting(store, "W1")
        assert facts(store, recorded) is None
        add(store, one(store), YELLOW, replace(CLEAR, word=""))
        assert [(each.what, each.word) for each in known(store, "W1").additions] == [(COLOUR, "yellow"), (CLARITY, "")]
        assert facts(store, recorded) == AddedFacts(values=(YELLOW, replace(CLEAR, word="")))
        (event,) = [each for each in store.events(f"strip:{recorded.strip_id}") if each.what == "strip.added"]
        assert (event.actor, event.reason) == ("Bo", "colour: yellow; clarity: left out")

    def test_the_wait_outlives_the_process_and_the_result_goes_without(self, opened: Opened) -> None:
        """When it is over stands in the store."""
        waiting(opened.store, "W1")
        store = opened.restart()
        assert store.next_awaited_due() == later(10)
        assert store.submit(EndAwaiting(at=later(9))).result(WAIT) == 0
        assert unborn(store) == []
        assert store.submit(EndAwaiting(at=later(10))).result(WAIT) == 1
        assert unborn(store) == ["W1"]
        assert known(store, "W1").additions == ()
        assert (store.awaited(), store.next_awaited_due()) == ((), None)

    def test_one_that_is_to_be_held_is_judged_again_and_its_lane_goes_on(self, store: Store) -> None:
        """Nothing of it was ever sent, and the patient's next result is not kept waiting by what a person must decide."""
        recorded = waiting(store, "W1", write=replace(ASKS, holds=True))
        s.post(store, "L1")
        assert store.submit(EndAwaiting(at=later(10))).result(WAIT) == 1
        assert set(s.states(store, "W1").values()) == {DeliveryState.SUPERSEDED}
        assert s.heads(store) == ["L1"]
        intake = store.next_intake("brook-1")
        assert intake is not None
        assert (intake.because, intake.only_index) == ("not added in time", 0)
        assert facts(store, recorded) == AddedFacts(is_overdue=True)

    def test_an_urgent_one_hurries_what_stands_before_it(self, store: Store) -> None:
        """STAT overtakes nothing of its own patient; what it stands behind waits no longer than it may itself (HZ-H12)."""
        waiting(store, "W1")
        waiting(store, "P1", patient="4712")
        hurries = AddedWrite(asks=(), due_at=later(0), holds=False, hurries=True)
        waiting(store, "S1", write=hurries, priority=Priority.STAT)
        assert [(row.result_id, row.due_at) for row in store.awaited()] == [("W1", NOW), ("P1", later(10))]
        assert unborn(store) == ["S1"]
        bear(store)
        assert s.heads(store) == []
        store.submit(EndAwaiting(at=NOW)).result(WAIT)
        bear(store)
        assert s.heads(store) == ["W1"]

    def test_of_two_people_one_adds_and_the_other_is_told_by_whom(self, store: Store) -> None:
        """Both looked at the same row."""
        waiting(store, "W1")
        row, told = one(store), []

        def act(by: str) -> None:
            mine = replace(YELLOW, by=by)
            made = replace(known(store, "W1"), additions=(mine,))
            try:
                store.submit(
                    AddToResult(awaited_id=row.awaited_id, additions=(mine,), made=made, actor=replace(BO, name=by), at=NOW)
                ).result(WAIT)
            except Overtaken as overtaken:
                told.append(str(overtaken))

        both = [threading.Thread(target=act, args=(name,)) for name in ("Bo", "Eda")]
        for each in both:
            each.start()
        for each in both:
            each.join(WAIT)
        (winner,) = {each.by for each in known(store, "W1").additions}
        assert told == [f"{winner} has added to this strip already. Look at the list again."]

    def test_nothing_is_added_once_the_wait_is_over(self, store: Store) -> None:
        """Each end says what is to be done instead."""
        waiting(store, "W1")
        waiting(store, "H1", patient="4712", write=replace(ASKS, holds=True))
        went, was_held = store.awaited()
        store.submit(EndAwaiting(at=later(10))).result(WAIT)
        for row, words in ((went, "the result went without"), (was_held, "this strip is held now")):
            with pytest.raises(Overtaken, match=words):
                add(store, row, YELLOW, CLEAR)

    def test_a_result_that_was_corrected_meanwhile_waits_no_more(self, store: Store) -> None:
        """A person has dealt with it: the corrected version goes at once, no list asks for it, and the end of the wait touches nothing."""
        waiting(store, "W1")
        row = one(store)
        change(store, "W1", Kind.CORRECTED)
        assert (store.awaited(), store.awaited_of("W1"), store.awaited_count(), store.next_awaited_due()) == ((), None, 0, None)
        with pytest.raises(Overtaken, match="was changed meanwhile, and does not wait any more"):
            add(store, row, YELLOW, CLEAR)
        bear(store)
        assert store.submit(EndAwaiting(at=later(10))).result(WAIT) == 0
        assert [(row.version, row.state.value) for row in store.deliveries("W1") if row.destination == "records"] == [
            (1, "superseded"),
            (2, "queued"),
        ]

    def test_a_held_strip_is_added_to_and_judged_again(self, store: Store) -> None:
        """Its stop is over by name, and what was added is known."""
        recorded = s.record(store, s.reading("7"), s.held(s.reading("7")))
        (stop,) = store.stops()
        command = AddToHeld(stop_id=stop.stop_id, additions=(YELLOW,), actor=EDA, at=NOW)
        store.submit(command).result(WAIT)
        closed = store.stop(stop.stop_id)
        assert closed is not None
        assert (closed.closed_by, closed.closed_reason) == ("Eda (unverified)", "colour: yellow")
        assert facts(store, recorded) == AddedFacts(values=(YELLOW,))
        assert store.next_intake("brook-1") is not None
        with pytest.raises(Overtaken):
            store.submit(command).result(WAIT)

    def test_a_strip_is_found_by_number_specimen_or_patient(self, store: Store) -> None:
        """Sign by sign, among those that wait."""
        waiting(store, "W1")
        waiting(store, "W2", patient="4712")
        named = {text: [row.result_id for row in store.awaited_named(text)] for text in ("W1", "UW2", "4712", "471", "")}
        assert named == {"W1": ["W1"], "UW2": ["W2"], "4712": ["W2"], "471": [], "": []}
        assert store.awaited_count() == 2
        first = store.awaited(limit=1)[0]
        assert [row.result_id for row in store.awaited(after=first.awaited_id)] == ["W2"]
        assert [row and row.result_id for row in (store.awaited_of("W1"), store.awaited_of("W9"))] == ["W1", None]
