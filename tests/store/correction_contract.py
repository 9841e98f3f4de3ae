"""What every store must do with corrections and withdrawals: no two versions cross, and no receiver is left with two that stand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

import pytest

from bridge.bench.corrections import Call, Correction, Kind, Unit, Wanted, corrected, moved, withdrawn
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import REPLACED, StopEnd
from bridge.model import Answer, Coded, CodedResult, DeliveryState
from bridge.store.api import Store
from bridge.store.commands import BearMessage, CorrectResult, RecordCall, RecordedCorrection
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later
from tests.store.telling_contract import ONCE, told

D = DeliveryState


def change(
    store: Store,
    result_id: str,
    kind: Kind,
    *,
    to: str = "B",
    new_id: str = "",
    wanted: Wanted | None = None,
    version: int | None = None,
    look_back: int | None = None,
    at: datetime = NOW,
) -> RecordedCorrection:
    """Correct, withdraw or move the newest version of a result, by Eda; ``version`` is what the person saw."""
    known = store.result_versions(result_id)[-1]
    seen = known.version if version is None else version
    made: CodedResult | None = None
    taken: CodedResult | None = None
    if kind is Kind.CORRECTED:
        made, _ = corrected(known, wanted or Wanted(comment=f"after version {known.version}"), by=EDA.name, at=NOW)
    else:
        taken = withdrawn(known, by=EDA.name, at=NOW)
    if kind is Kind.MOVED:
        made = moved(known, result_id=new_id, patient_id=to, by=EDA.name, at=NOW)
    of = Correction(
        kind=kind, result_id=result_id, version=seen, new_result_id=made.result_id if made else "", new_version=made.version if made else None,
        fields=("comment",), by=EDA, second="Bo", reason="seen by the ward", at=at, is_critical=False,
        calls_by=None if taken is None else later(30),
    )  # fmt: skip
    command = CorrectResult(correction=of, made=made, lane=made.patient_id if made else "", withdrawn=taken, look_back=look_back)
    told: RecordedCorrection = store.submit(command).result(WAIT)
    return told


def bear(store: Store, destination: str = "records") -> list[tuple[str, int, str]]:
    """Make every message that may be made; give (result, version, status) of each, in order."""
    told = []
    for delivery_id, result in store.unborn(destination, limit=99):
        made = s.message(result, f"{result.result_id}v{result.version}{destination[:1]}", destination=destination)
        store.submit(BearMessage(delivery_id=delivery_id, message=made, at=NOW)).result(WAIT)
        told.append((result.result_id, result.version, result.status.value))
    return told


def states(store: Store, result_id: str) -> list[tuple[int, DeliveryState]]:
    """Give (version, state) of each delivery of a result, oldest first."""
    return [(row.version, row.state) for row in store.deliveries(result_id)]


class CorrectionContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def store(self, opened: Opened) -> Store:
        return opened.store

    def test_a_result_that_was_accepted_is_corrected_under_its_own_number(self, opened: Opened) -> None:
        """HZ-I02: the same result, the next version, C; the one before is kept, and its control ID is not given again."""
        (first,) = s.post(opened.store, "A1", patient="A").delivery_ids
        s.attempt(opened.store, first, Answer.ACCEPTED)
        told = change(opened.store, "A1", Kind.CORRECTED, at=later(9))
        store = opened.restart()
        assert bear(store) == [("A1", 2, "C")]
        assert states(store, "A1") == [(1, D.ACCEPTED), (2, D.QUEUED)]
        assert [row.control_id for row in store.deliveries("A1")] == ["A1rec", "A1v2r"]
        assert [version.comments for version in store.result_versions("A1")] == [
            (),
            ("Comment added by Eda on 2026-11-25 10:00: after version 1",),
        ]
        strip = store.strip(told.strip_id)
        assert strip is not None
        assert (strip.outcome, strip.result_id, strip.capture_id) == ("coded", "A1", 1)
        assert strip.judged_at == NOW  # it was read, checked and coded then; its values are those
        assert [row.strip_id for row in store.capture_strips(1)] == [told.strip_id]
        (row,) = store.results()
        assert (row.strip_id, row.version, row.states) == (told.strip_id, 2, (("records", D.QUEUED),))
        assert s.attempt(store, told.successors[0], Answer.ACCEPTED) is D.ACCEPTED

    def test_what_was_never_tried_is_replaced_before_it_leaves(self, store: Store) -> None:
        """Nobody has seen the first version: the second is final, and goes in its stead."""
        s.post(store, "A1", patient="A")
        change(store, "A1", Kind.CORRECTED)
        assert states(store, "A1") == [(1, D.SUPERSEDED), (2, D.UNBORN)]
        assert bear(store) == [("A1", 2, "F")]
        assert s.heads(store) == ["A1"]

    def test_a_try_that_sent_nothing_is_none(self, store: Store) -> None:
        """Nobody answered the door: the wrong version is not sent first once somebody does."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.TRY_AGAIN, "no connection", due_at=NOW)
        change(store, "A1", Kind.CORRECTED)
        assert states(store, "A1") == [(1, D.SUPERSEDED), (2, D.UNBORN)]
        assert bear(store) == [("A1", 2, "F")]

    @pytest.mark.parametrize(("kind", "expected"), [(Kind.CORRECTED, [("A1", 2, "F")]), (Kind.WITHDRAWN, [])])
    def test_nor_is_one_that_was_under_way_meanwhile(
        self, store: Store, kind: Kind, expected: list[tuple[str, int, str]]
    ) -> None:
        """It might have gone; once it is known that it did not, the new version goes in its stead."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        attempt = s.begin(store, first)
        change(store, "A1", kind)
        assert bear(store) == []
        s.end(store, first, attempt, Answer.TRY_AGAIN, "no connection", due_at=NOW)
        assert bear(store) == expected
        assert s.heads(store, now=later(1)) == ["A1"] * len(expected)

    @pytest.mark.parametrize(
        ("answer", "status", "left"),
        [(Answer.ACCEPTED, "C", D.ACCEPTED), (Answer.REFUSED, "F", D.SUPERSEDED)],
    )
    def test_what_was_tried_without_an_answer_is_waited_for(
        self, store: Store, answer: Answer, status: str, left: DeliveryState
    ) -> None:
        """HZ-H06: the next version is made once the answer is there, and is what the answer makes of it."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        attempt = s.begin(store, first)
        told = change(store, "A1", Kind.CORRECTED)
        assert bear(store) == []
        assert not s.begin(store, told.successors[0])
        s.end(store, first, attempt, answer)
        assert states(store, "A1") == [(1, left), (2, D.UNBORN)]
        assert bear(store) == [("A1", 2, status)]
        assert store.stops() == ()
        closed = [(stop.rule, stop.closed_how) for stop in store.stops(is_open=False)]
        assert closed == ([] if answer is Answer.ACCEPTED else [("deliver.refused", REPLACED)])

    def test_what_was_given_up_unanswered_may_be_there(self, store: Store) -> None:
        """The receiver may have filed what it never answered: what follows is a correction."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        attempt = s.begin(store, first)
        change(store, "A1", Kind.CORRECTED)
        s.end(store, first, attempt, Answer.TRY_AGAIN, "timeout", expire=True)
        assert bear(store) == [("A1", 2, "C")]
        assert states(store, "A1") == [(1, D.SUPERSEDED), (2, D.QUEUED)]

    @pytest.mark.parametrize(("code", "expected"), [("no connection", "F"), ("timeout", "C")])
    def test_a_stopped_message_is_replaced_and_leaves_the_list(self, store: Store, code: str, expected: str) -> None:
        """Nobody can send the old version again behind the new one."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.end(store, first, s.begin(store, first), Answer.TRY_AGAIN, code, expire=True)
        assert len(store.stops()) == 1
        change(store, "A1", Kind.CORRECTED)
        assert store.stops() == ()
        assert bear(store) == [("A1", 2, expected)]

    def test_a_withdrawn_result_is_taken_back_where_it_is_and_nowhere_else(self, store: Store) -> None:
        """Accepted at one receiver and never tried at the other: one is told, the other never hears of it."""
        records, _ = s.post(store, "A1", patient="A", destinations=("records", "chart")).delivery_ids
        s.attempt(store, records, Answer.ACCEPTED)
        told = change(store, "A1", Kind.WITHDRAWN)
        assert (len(told.withdrawals), told.successors) == (1, ())
        assert bear(store) == [("A1", 2, "W")]
        assert bear(store, "chart") == []
        assert states(store, "A1") == [(1, D.ACCEPTED), (1, D.SUPERSEDED), (2, D.QUEUED)]
        strip = store.strip(told.strip_id)
        assert strip is not None
        assert (strip.outcome, strip.has_gone) == ("withdrawn", True)
        with pytest.raises(Overtaken):
            change(store, "A1", Kind.CORRECTED)

    def test_the_right_patient_gets_nothing_before_the_wrong_record_is_clean(self, store: Store) -> None:
        """HZ-I03: the withdrawal is acknowledged first; meanwhile other results of the right patient go on."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.ACCEPTED)
        told = change(store, "A1", Kind.MOVED, to="B", new_id="N1")
        s.post(store, "B1", patient="B")
        assert bear(store) == [("A1", 2, "W")]
        assert sorted(head.message.control_id for head in store.lane_heads("records", now=NOW, limit=9)) == ["A1v2r", "B1rec"]
        attempt = s.begin(store, told.withdrawals[0])
        assert bear(store) == []
        assert not s.begin(store, told.successors[0])
        s.end(store, told.withdrawals[0], attempt, Answer.ACCEPTED)
        assert bear(store) == [("N1", 1, "F")]
        (moved_to,) = store.deliveries("N1")
        assert moved_to.lane == "B"
        heads = [head.message.control_id for head in store.lane_heads("records", now=NOW, limit=9)]
        assert heads == ["N1v1r"]  # it stands in its patient's lane by its number now, before what came later
        strip = store.strip(told.strip_id)
        assert strip is not None
        assert (strip.patient_id, strip.outcome, strip.result_id) == ("B", "coded", "N1")

    @pytest.mark.parametrize("how", [StopEnd.DISCARDED, StopEnd.SENT_AGAIN])
    def test_a_withdrawal_that_was_turned_away_holds_the_right_one_until_a_person_decides(
        self, store: Store, how: StopEnd
    ) -> None:
        """HZ-I03: the wrong record still has it. A person sends the withdrawal again, or says that it was taken out by hand."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.ACCEPTED)
        told = change(store, "A1", Kind.MOVED, to="B", new_id="N1")
        assert bear(store) == [("A1", 2, "W")]
        s.attempt(store, told.withdrawals[0], Answer.REFUSED)
        assert bear(store) == []
        s.close(store, store.stops()[0].stop_id, how)
        if how is StopEnd.SENT_AGAIN:
            assert bear(store) == []
            s.attempt(store, told.withdrawals[0], Answer.ACCEPTED)
        assert bear(store) == [("N1", 1, "F")]
        assert [row.lane for row in store.deliveries("N1")] == ["B"]

    def test_a_withdrawal_of_what_was_turned_away_is_not_needed(self, store: Store) -> None:
        """The first version was under way and is refused: nothing is there to withdraw, and the right one goes."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        attempt = s.begin(store, first)
        change(store, "A1", Kind.MOVED, to="B", new_id="N1")
        assert bear(store) == []
        s.end(store, first, attempt, Answer.REFUSED)
        assert states(store, "A1") == [(1, D.SUPERSEDED), (2, D.SUPERSEDED)]
        assert bear(store) == [("N1", 1, "F")]

    def test_the_last_of_several_corrections_goes(self, store: Store) -> None:
        """Three in a row while the first version is under way: those between were never seen by anybody."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        attempt = s.begin(store, first)
        for _ in range(3):
            change(store, "A1", Kind.CORRECTED)
        s.end(store, first, attempt, Answer.ACCEPTED)
        assert states(store, "A1") == [(1, D.ACCEPTED), (2, D.SUPERSEDED), (3, D.SUPERSEDED), (4, D.UNBORN)]
        assert bear(store) == [("A1", 4, "C")]

    def test_a_second_move_still_waits_for_the_first_withdrawal(self, store: Store) -> None:
        """Wrong twice: what nobody has seen is replaced, and the third patient's waits as the second's did."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.ACCEPTED)
        one = change(store, "A1", Kind.MOVED, to="B", new_id="N1")
        two = change(store, "N1", Kind.MOVED, to="C", new_id="N2")
        assert two.withdrawals == ()
        assert bear(store) == [("A1", 2, "W")]
        assert states(store, "N1") == [(1, D.SUPERSEDED)]
        s.attempt(store, one.withdrawals[0], Answer.ACCEPTED)
        assert bear(store) == [("N2", 1, "F")]

    def test_who_saw_an_older_version_is_overtaken(self, store: Store) -> None:
        """Two people at the same result: the second looks again."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.ACCEPTED)
        change(store, "A1", Kind.CORRECTED)
        before = (states(store, "A1"), store.corrections())
        with pytest.raises(Overtaken):
            change(store, "A1", Kind.CORRECTED, version=1)
        assert (states(store, "A1"), store.corrections()) == before

    def test_nothing_undoes_a_correction_by_reading_the_strip_again(self, store: Store) -> None:
        """The strip still has the wrong number printed on it: from the list its message is sent again, or discarded, no more."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.attempt(store, first, Answer.ACCEPTED)
        told = change(store, "A1", Kind.CORRECTED)
        bear(store)
        s.attempt(store, told.successors[0], Answer.REFUSED)
        (stop,) = store.stops()
        for how in (StopEnd.READ_AGAIN, StopEnd.ID_CORRECTED):
            with pytest.raises(RefusedAction):
                s.close(store, stop.stop_id, how)
        s.close(store, stop.stop_id, StopEnd.SENT_AGAIN)
        assert states(store, "A1") == [(1, D.ACCEPTED), (2, D.QUEUED)]

    def test_calls_are_kept_with_who_told_whom(self, opened: Opened) -> None:
        """Both units, each with whether it was read back; they outlive a restart and stand in the history."""
        (first,) = s.post(opened.store, "A1", patient="A").delivery_ids
        s.attempt(opened.store, first, Answer.ACCEPTED)
        told = change(opened.store, "A1", Kind.MOVED, to="B", new_id="N1")
        calls = [
            Call(unit=Unit.WRONG, told="ward 3", read_back=True, by=BO, at=NOW),
            Call(unit=Unit.RIGHT, told="ward 5", read_back=False, by=EDA, at=later(1)),
        ]
        for call in calls:
            opened.store.submit(RecordCall(correction_id=told.correction_id, call=call)).result(WAIT)
        store = opened.restart()
        row = store.correction(told.correction_id)
        assert row is not None
        assert row.calls == tuple(calls)
        assert row.withdrawals == (("records", D.UNBORN),)
        of = row.correction
        assert (of.kind, of.result_id, of.new_result_id, of.second, of.calls_by) == (Kind.MOVED, "A1", "N1", "Bo", later(30))
        assert store.corrections(result_id="N1") == store.corrections(result_id="A1") == store.corrections(since=NOW) == (row,)
        assert store.corrections(since=NOW + timedelta(seconds=1)) == ()
        assert [event.what for event in store.events(f"correction:{told.correction_id}")] == [
            "result.changed",
            "call.made",
            "call.made",
        ]
        with pytest.raises(Overtaken):
            store.submit(RecordCall(correction_id=99, call=calls[0])).result(WAIT)
        assert store.correction(99) is None

    @pytest.mark.parametrize(
        ("kind", "reason"),
        [(Kind.MOVED, "the patient ID was corrected"), (Kind.WITHDRAWN, "the result was withdrawn"), (Kind.CORRECTED, "")],
    )
    def test_who_was_told_of_a_critical_result_is_told_again(self, store: Store, kind: Kind, reason: str) -> None:
        """HZ-I01, HZ-I03: of a value that was another patient's, or does not stand; an order number is nobody's news."""
        of, made = s.reading("7", patient="A"), s.result("A1", patient="A")
        going = [s.delivery(s.message(made, "A1rec"))]
        recorded = s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=going, tell=ONCE)
        told(store)
        s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
        assert store.tellings_open() == ()
        change(store, "A1", kind, new_id="N1")
        assert [row.history[-1].said.reason for row in store.tellings_open()] == ([reason] if reason else [])
