"""The store against a small model in plain Python: any order of captures, outcomes, tries, persons and restarts.

After every step: no delivery is lost, none has another's control ID, lanes stand in order, only allowed moves were made.
A store joins by a subclass that says how it is opened, as it is after a restart, and removed.
"""

from __future__ import annotations

import itertools
from abc import abstractmethod
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import DELIVERY_STEPS, OPEN_DELIVERY, OVER_DELIVERY, DeliveryEvent, StopEnd
from bridge.model import Answer, Coded, DeliveryState, Priority, PriorResult, Purpose
from bridge.store.api import Store
from bridge.store.commands import BearMessage, ReserveNumbers, WithholdDelivery
from tests.store import strips as s

D = DeliveryState
PLACES = ("records", "chart")
ASKING = ("chart",)  # who asks for controls
NAMES = {event.name.lower(): event for event in DeliveryEvent}
GONE = {D.SUPERSEDED, D.DISCARDED}


@dataclass(kw_only=True)
class Sent:
    """A delivery as the model knows it."""

    result: tuple[str, int]
    destination: str
    lane: str
    stat: bool
    control_id: str
    after: int | None
    state: DeliveryState
    attempts: int = 0
    due: datetime | None = None
    tries: list[int] = field(default_factory=list)
    given_up: bool = False
    code: str = ""


@dataclass(kw_only=True)
class Work:
    """A piece of judging work."""

    capture: int
    only: int | None
    following: int


class StoreMachine(RuleBasedStateMachine):
    """Steps and what they must do."""

    def __init__(self) -> None:
        super().__init__()
        self.minutes = 0
        self.ids = itertools.count(1)
        self.sizes: dict[int, int] = {}  # capture -> how many strips it holds
        self.work: list[Work] = []
        self.sent: dict[int, Sent] = {}
        self.stops: dict[int, tuple[int, int, int | None]] = {}  # open stop -> capture, index, delivery
        self.closed: list[int] = []
        self.newest: dict[tuple[int, int], tuple[str, int]] = {}  # reading -> its newest result and version
        self.numbers: list[int] = []
        self.epoch = ""
        self.store = self._open()

    @abstractmethod
    def opened(self) -> Store:
        """Open the store, empty at the first time."""

    @abstractmethod
    def removed(self) -> None:
        """Remove what is left of a closed store."""

    def lane_columns(self) -> list[tuple[int, int, int, int]]:
        """Give id, is_head, rank and is_blocked of every delivery, as the store keeps them."""
        return self.store._db().execute("SELECT id, is_head, rank, is_blocked FROM deliveries").fetchall()  # type: ignore[attr-defined,no-any-return]  # stores of rows have it

    def _open(self) -> Store:
        store = self.opened()
        assert self.epoch in ("", store.epoch)
        self.epoch = store.epoch
        return store

    @property
    def now(self) -> datetime:
        return s.later(self.minutes)

    def teardown(self) -> None:
        self.what_is_there_is_what_was_told()
        for number in self.sent:
            self._history_is_allowed(number)
        self.store.close()
        self.removed()

    # --- steps

    @rule(strips=st.integers(1, 2))
    def keep(self, strips: int) -> None:
        capture = s.keep(self.store, f"capture {next(self.ids)}".encode())
        assert capture not in self.sizes
        self.sizes[capture] = strips
        self.work.append(Work(capture=capture, only=None, following=0))

    @precondition(lambda self: self.work)
    @rule(
        kind=st.sampled_from(["coded", "coded", "coded", "held", "rejected", "control", "sent control"]),
        patient=st.sampled_from(["A", "B", "C"]),
        stat=st.booleans(),
        born=st.booleans(),
        behind=st.none() | st.integers(0, 99),
        begins=st.booleans(),
    )
    def judge(self, kind: str, patient: str, *, stat: bool, born: bool, behind: int | None, begins: bool) -> None:
        work = self.work[0]
        index = work.following if work.only is None else work.only
        ends = work.only is not None or index + 1 == self.sizes[work.capture]
        of = s.reading(str(next(self.ids)), index=index, patient=patient, digest=f"{work.capture}/{index}")
        priority = Priority.STAT if stat else Priority.ROUTINE
        outcome: Any = s.held(of) if kind == "held" else s.rejected(of) if kind == "rejected" else s.control(of)
        going: list[Sent] = []
        made: list[Any] = []
        if kind in ("coded", "sent control"):
            result = self._result(work.capture, index, of.record_digest, patient, priority)
            outcome = Coded(checked=s.checked(of, priority=priority), result=result)
            places: tuple[str, ...] = PLACES
            lane = patient
            if kind == "sent control":
                result = replace(result, patient_id="", purpose=Purpose.CONTROL)
                outcome, places, lane = s.control(of, result), ASKING, "analyzer:brook-1"
            after = list(self.sent)[behind % len(self.sent)] if behind is not None and self.sent else None
            for place in places:
                message = s.message(result, f"M{next(self.ids)}", destination=place, lane=lane)
                made.append(s.delivery(message, born=born, after=after, begins=begins))
                going.append(
                    Sent(
                        result=(result.result_id, result.version), destination=place, lane=lane, stat=stat,
                        control_id=message.control_id if born else "", after=after, state=D.QUEUED if born else D.UNBORN,
                    )
                )  # fmt: skip
            self.newest[work.capture, index] = (result.result_id, result.version)
        recorded = s.record(self.store, of, outcome, deliveries=made, capture_id=work.capture, ends=ends, at=self.now)
        self.sent |= dict(zip(recorded.delivery_ids, going, strict=True))
        for number, attempt in zip(recorded.delivery_ids, recorded.attempts, strict=True):
            assert (attempt is not None) is (begins and self._may_begin(number))
            if attempt is not None:
                self._begun(number, attempt)
        assert (recorded.stop_id is not None) is (kind in ("held", "rejected"))
        if recorded.stop_id is not None:
            self.stops[recorded.stop_id] = (work.capture, index, None)
        work.following = index + 1
        if ends:
            self.work.pop(0)

    def _result(self, capture: int, index: int, digest: str, patient: str, priority: Priority) -> Any:
        """Give the next version of a result that is set aside everywhere, else a new one; the store must say the same."""
        before = self.newest.get((capture, index))
        aside = before is not None and all(each.state in GONE for each in self.sent.values() if each.result == before)
        prior = self.store.reading_facts(capture, index, record_digest=digest).prior
        assert prior == (PriorResult(result_id=before[0], version=before[1]) if before and aside else None)
        name, version = (prior.result_id, prior.version + 1) if prior else (f"R{next(self.ids)}", 1)
        return s.result(name, version=version, patient=patient, priority=priority)

    @precondition(lambda self: any(each.state is D.UNBORN for each in self.sent.values()))
    @rule(place=st.sampled_from(PLACES), asks=st.booleans())
    def bear(self, place: str, *, asks: bool) -> None:
        due = [n for n, each in self.sent.items() if each.state is D.UNBORN and each.destination == place and self._is_free(each)]
        told = self.store.unborn(place, limit=99)
        assert [number for number, _ in told] == due
        for number, result in told[:1]:
            if result.purpose is Purpose.CONTROL and not asks:
                self.store.submit(WithholdDelivery(delivery_id=number, at=self.now)).result(s.WAIT)
                self.sent[number].state = D.DISCARDED
                continue
            message = s.message(result, f"M{next(self.ids)}", destination=place)
            self.store.submit(BearMessage(delivery_id=number, message=message, at=self.now)).result(s.WAIT)
            self.sent[number].state, self.sent[number].control_id = D.QUEUED, message.control_id

    @precondition(lambda self: self.sent)
    @rule(pick=st.integers(0, 99))
    def begin_any(self, pick: int) -> None:
        self._begin(list(self.sent)[pick % len(self.sent)])

    @rule(place=st.sampled_from(PLACES))
    def begin_head(self, place: str) -> None:
        for head in self.store.lane_heads(place, now=self.now, limit=1):
            assert self._begin(head.delivery_id)

    def _begin(self, number: int) -> bool:
        may = self._may_begin(number)
        begun = s.begin(self.store, number, at=self.now)
        assert (begun is not None) is may
        if begun is not None:
            self._begun(number, begun)
        return may

    def _may_begin(self, number: int) -> bool:
        each = self.sent[number]
        return each.state in (D.QUEUED, D.RETRYING) and number == self._head(each.destination, each.lane) and self._is_free(each)

    def _begun(self, number: int, attempt: int) -> None:
        each = self.sent[number]
        each.tries.append(attempt)
        each.state, each.due, each.attempts = D.SENDING, None, each.attempts + 1

    @precondition(lambda self: any(each.state is D.SENDING for each in self.sent.values()))
    @rule(pick=st.integers(0, 99), answer=st.sampled_from(list(Answer)), expire=st.booleans(), wait=st.integers(0, 5))
    def answer(self, pick: int, answer: Answer, wait: int, *, expire: bool) -> None:
        sending = [number for number, each in self.sent.items() if each.state is D.SENDING]
        number = sending[pick % len(sending)]
        each, due = self.sent[number], s.later(self.minutes + wait)
        expire = expire and answer is Answer.TRY_AGAIN
        state = s.end(self.store, number, each.tries[-1], answer, "timeout", at=self.now, due_at=due, expire=expire)
        each.state = {
            Answer.ACCEPTED: D.ACCEPTED,
            Answer.COMMITTED: D.COMMITTED,
            Answer.REFUSED: D.REFUSED,
            Answer.CLOSED: D.RETRYING,
            Answer.TRY_AGAIN: D.EXPIRED if expire else D.RETRYING,
        }[answer]
        assert state is each.state
        each.due, each.code = due if state in (D.RETRYING, D.COMMITTED) else None, "timeout"
        each.attempts -= answer is Answer.CLOSED
        each.given_up = each.given_up or expire
        self._stopped(number)

    def _stopped(self, number: int) -> None:
        """Find the stop of a delivery that has just stopped."""
        if self.sent[number].state in (D.REFUSED, D.EXPIRED):
            (new,) = {stop.stop_id for stop in self.store.stops(limit=999)} - self.stops.keys()
            strip = self.store.stop(new)
            assert strip is not None
            assert strip.delivery_id == number
            assert strip.capture_id is not None
            assert strip.index is not None
            self.stops[new] = (strip.capture_id, strip.index, number)

    @precondition(lambda self: any(each.control_id for each in self.sent.values()))
    @rule(pick=st.integers(0, 99), answer=st.sampled_from([Answer.ACCEPTED, Answer.TRY_AGAIN, Answer.REFUSED]))
    def late_answer(self, pick: int, answer: Answer) -> None:
        born = [number for number, each in self.sent.items() if each.control_id]
        number = born[pick % len(born)]
        each, due = self.sent[number], s.later(self.minutes + 1)
        noted = s.late(self.store, each.destination, each.control_id, answer, at=self.now, due_at=due)
        if not each.attempts:
            assert noted is None  # nothing was ever sent under that control ID
            return
        before, after = each.state, self._after_late(each, answer)
        assert noted is not None
        assert (noted.delivery_id, noted.state, noted.counts) == (number, after or before, after is not None)
        if after is None:
            return
        for stop in [stop for stop, (_, _, of) in self.stops.items() if of == number]:
            self._end(stop)
        each.state, each.due, each.code = after, due if after is D.RETRYING else None, answer.value
        self._stopped(number)

    @staticmethod
    def _after_late(each: Sent, answer: Answer) -> D | None:
        """Give where a late answer leads: it settles what nobody has settled; a yes that was silence can be taken back."""
        if each.state is D.ACCEPTED:
            return D.REFUSED if each.code == "CA" and answer is Answer.REFUSED else None
        if each.state not in (D.RETRYING, D.COMMITTED, D.EXPIRED):
            return None
        if answer is Answer.TRY_AGAIN:
            return D.RETRYING if each.state is D.COMMITTED else None
        return D.ACCEPTED if answer is Answer.ACCEPTED else D.REFUSED

    @precondition(lambda self: any(each.state is D.COMMITTED for each in self.sent.values()))
    @rule(place=st.sampled_from(PLACES), is_yes=st.booleans())
    def waits_end(self, place: str, *, is_yes: bool) -> None:
        due = [
            number
            for number, each in sorted(self.sent.items())
            if each.destination == place and each.state is D.COMMITTED and each.due is not None and each.due <= self.now
        ]
        assert list(self.store.unanswered(place, now=self.now, limit=99)) == due
        for number in due[:1]:
            each = self.sent[number]
            each.state, each.due, each.code = D.ACCEPTED if is_yes else D.EXPIRED, None, "CA"
            assert s.end_wait(self.store, number, is_yes=is_yes, at=self.now) is each.state
            each.given_up = each.given_up or not is_yes
            self._stopped(number)

    @precondition(lambda self: any(each.tries for each in self.sent.values()))
    @rule(pick=st.integers(0, 99), answer=st.sampled_from(list(Answer)))
    def answer_again(self, pick: int, answer: Answer) -> None:
        """End a try that is over already: nothing changes, whatever is said."""
        told = [
            (number, tried) for number, each in self.sent.items() for tried in each.tries if not self._is_under_way(each, tried)
        ]
        if told:
            number, tried = told[pick % len(told)]
            assert s.end(self.store, number, tried, answer, at=self.now) is self.sent[number].state

    @staticmethod
    def _is_under_way(each: Sent, tried: int) -> bool:
        return each.state is D.SENDING and tried == each.tries[-1]

    @precondition(lambda self: self.sent)
    @rule(pick=st.integers(0, 99), answer=st.sampled_from(list(Answer)))
    def answer_to_nothing(self, pick: int, answer: Answer) -> None:
        number = list(self.sent)[pick % len(self.sent)]
        foreign = 1 + max((tried for each in self.sent.values() for tried in each.tries), default=0)
        with pytest.raises(ValueError, match="has no attempt"):
            s.end(self.store, number, foreign, answer, at=self.now)

    @precondition(lambda self: self.stops)
    @rule(pick=st.integers(0, 99), how=st.sampled_from(list(StopEnd)))
    def decide(self, pick: int, how: StopEnd) -> None:
        stop = list(self.stops)[pick % len(self.stops)]
        capture, index, number = self.stops[stop]
        again = how in (StopEnd.ID_CORRECTED, StopEnd.TIME_CORRECTED, StopEnd.RELEASED, StopEnd.READ_AGAIN)
        siblings = [n for n, each in self.sent.items() if number is not None and each.result == self.sent[number].result]
        if (how is StopEnd.SENT_AGAIN and number is None) or (again and any(map(self._may_be_there, siblings))):
            with pytest.raises(RefusedAction):
                s.close(self.store, stop, how, at=self.now)
            return
        s.close(self.store, stop, how, at=self.now)
        self._end(stop)
        if again:
            for n in siblings:
                if self.sent[n].state not in GONE:
                    self.sent[n].state, self.sent[n].due = D.SUPERSEDED, None
            for other in [other for other, (_, _, n) in self.stops.items() if n in siblings]:
                self._end(other)
            self.work.append(Work(capture=capture, only=index, following=index))
        elif number is not None:
            self.sent[number].state = D.QUEUED if how is StopEnd.SENT_AGAIN else D.DISCARDED

    def _end(self, stop: int) -> None:
        del self.stops[stop]
        self.closed.append(stop)

    def _may_be_there(self, number: int) -> bool:
        each = self.sent[number]
        if each.state in (D.ACCEPTED, D.SENDING, D.RETRYING, D.COMMITTED):
            return True
        return each.given_up and each.state is not D.REFUSED

    @precondition(lambda self: self.closed)
    @rule(pick=st.integers(0, 99), how=st.sampled_from(list(StopEnd)))
    def decide_too_late(self, pick: int, how: StopEnd) -> None:
        with pytest.raises(Overtaken):
            s.close(self.store, self.closed[pick % len(self.closed)], how, who=s.EDA, at=self.now)

    @rule(count=st.integers(1, 500))
    def reserve(self, count: int) -> None:
        first = self.store.submit(ReserveNumbers(count=count)).result(s.WAIT)
        assert first >= max(self.numbers, default=1)
        self.numbers.append(first + count)

    @rule(minutes=st.integers(1, 3))
    def wait(self, minutes: int) -> None:
        self.minutes += minutes

    @rule()
    def restart(self) -> None:
        self.store.close()
        self.store = self._open()
        for each in self.sent.values():
            if each.state is D.SENDING:
                each.state, each.due = D.RETRYING, self.now

    # --- the model's own reckoning

    def _is_free(self, each: Sent) -> bool:
        return each.after is None or self.sent[each.after].state in OVER_DELIVERY

    def _lanes(self, place: str) -> dict[str, list[int]]:
        lanes: dict[str, list[int]] = {}
        for number, each in sorted(self.sent.items()):
            if each.destination == place and each.state in OPEN_DELIVERY:
                lanes.setdefault(each.lane, []).append(number)
        return lanes

    def _head(self, place: str, lane: str) -> int:
        """Give what is being sent, which is let finish whatever was put before it meanwhile; else the oldest."""
        numbers = self._lanes(place)[lane]
        return next((number for number in numbers if self.sent[number].state is D.SENDING), numbers[0])

    def _rank(self, place: str, lane: str) -> int:
        return int(not any(self.sent[number].stat for number in self._lanes(place)[lane]))

    def _heads(self, place: str) -> list[int]:
        ready = []
        for lane in self._lanes(place):
            head = self.sent[self._head(place, lane)]
            due = head.due is None or head.due <= self.now
            if head.state in (D.QUEUED, D.RETRYING) and due and self._is_free(head):
                ready.append((self._rank(place, lane), self._head(place, lane)))
        return [number for _, number in sorted(ready)]

    # --- what must hold after every step

    @invariant()
    def what_is_there_is_what_was_told(self) -> None:
        for result in {each.result[0] for each in self.sent.values()}:
            for row in self.store.deliveries(result):
                each = self.sent[row.delivery_id]
                assert (row.state, row.attempts, row.control_id) == (each.state, each.attempts, each.control_id)
                assert (row.destination, row.lane, (row.result_id, row.version)) == (each.destination, each.lane, each.result)
            found = {row.delivery_id for row in self.store.deliveries(result)}
            assert found == {number for number, each in self.sent.items() if each.result[0] == result}
        born = [each.control_id for each in self.sent.values() if each.control_id]
        assert len(born) == len(set(born))

    @invariant()
    def lanes_stand_in_order(self) -> None:
        for place in PLACES:
            heads = self.store.lane_heads(place, now=self.now, limit=99)
            assert [head.delivery_id for head in heads] == self._heads(place)
            assert [head.message.control_id for head in heads] == [self.sent[number].control_id for number in self._heads(place)]
            ahead = [self.sent[self._head(place, lane)] for lane in self._lanes(place)]
            trying = [each for each in ahead if each.state is D.RETRYING and self._is_free(each)]
            due = min((each.due for each in trying if each.due is not None), default=None)
            assert self.store.next_due(place) == due
            waits = [e.due for e in self.sent.values() if e.destination == place and e.state is D.COMMITTED and e.due is not None]
            assert self.store.next_unanswered(place) == min(waits, default=None)

    @invariant()
    def what_is_kept_of_lanes_is_what_their_states_say(self) -> None:
        """Reckon the columns that a look rests on anew, from the states alone."""
        told = {row[0]: row[1:] for row in self.lane_columns()}
        assert told.keys() == self.sent.keys()
        heads = {self._head(place, lane): self._rank(place, lane) for place in PLACES for lane in self._lanes(place)}
        for number, (is_head, rank, is_blocked) in told.items():
            assert bool(is_head) is (number in heads)
            assert rank == heads.get(number, rank)
            assert bool(is_blocked) is not self._is_free(self.sent[number])

    @invariant()
    def what_waits_for_persons_and_for_judging_is_known(self) -> None:
        assert {stop.stop_id for stop in self.store.stops(limit=999)} == self.stops.keys()
        intake = self.store.next_intake("brook-1")
        told = None if intake is None else (intake.capture_id, intake.only_index, intake.next_index)
        assert told == (None if not self.work else (self.work[0].capture, self.work[0].only, self.work[0].following))

    def _history_is_allowed(self, number: int) -> None:
        made, *moves = self.store.events(f"delivery:{number}")
        state = DeliveryState(made.after)
        assert (made.what, state in (D.UNBORN, D.QUEUED)) == ("delivery.made", True)
        for move in moves:
            assert move.before == state
            if move.what == "delivery.answered_late":  # an answer that changed nothing
                assert move.after == state
                continue
            state = DELIVERY_STEPS[state, NAMES[move.what.removeprefix("delivery.")]]
            assert move.after == state
        assert state is self.sent[number].state
