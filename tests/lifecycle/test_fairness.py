"""Turns: the urgent first, and a bound for everybody else."""

from __future__ import annotations

import itertools
from collections import Counter, deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.fairness import ASKERS, ROUTINE_TURN, Asker, Waiting, choose, who_asks

FEW = st.lists(st.integers(), max_size=6)


def test_urgent_lanes_go_first_and_each_eighth_turn_is_a_routine_lanes() -> None:
    """STAT keeps seven eighths of a receiver, however many routine lanes wait; routine keeps one eighth, however many STAT come."""
    waiting = Waiting(urgent_untried=range(100), untried=range(100, 200))
    assert choose(waiting, turn=0, limit=10) == (0, 1, 2, 3, 4, 5, 6, 100, 7, 8)
    assert choose(waiting, turn=7, limit=2) == (100, 0)


def test_lanes_that_were_tried_and_lanes_that_were_not_take_turns() -> None:
    """Where only one kind waits, all turns are its."""
    assert choose(Waiting(untried=(5, 6, 7), retries=(1, 2, 3)), turn=0, limit=5) == (1, 5, 2, 6, 3)
    assert choose(Waiting(retries=(1, 2)), turn=0, limit=5) == (1, 2)
    assert choose(Waiting(untried=(5, 6)), turn=0, limit=5) == (5, 6)
    assert choose(Waiting(), turn=3, limit=5) == ()


@given(urgent_untried=FEW, urgent_retries=FEW, untried=FEW, retries=FEW, turn=st.integers(0, 100), limit=st.integers(0, 30))
def test_each_is_chosen_once_and_in_order_until_none_is_left(
    urgent_untried: list[int], urgent_retries: list[int], untried: list[int], retries: list[int], turn: int, limit: int
) -> None:
    """As many as there are, up to the limit; none twice; the oldest of each kind before its next."""
    kinds = [urgent_untried, urgent_retries, untried, retries]
    marked = [[(number, place) for place in range(len(kind))] for number, kind in enumerate(kinds)]
    named: dict[int, tuple[int, int]] = dict(enumerate(itertools.chain.from_iterable(marked)))
    ids = {mark: number for number, mark in named.items()}
    lists = [[ids[mark] for mark in kind] for kind in marked]
    waiting = Waiting(urgent_untried=lists[0], urgent_retries=lists[1], untried=lists[2], retries=lists[3])
    chosen = choose(waiting, turn=turn, limit=limit)
    assert len(chosen) == len(set(chosen)) == min(limit, len(ids))
    for kind in range(4):
        places = [named[number][1] for number in chosen if named[number][0] == kind]
        assert places == list(range(len(places)))


@pytest.mark.parametrize("start", range(ROUTINE_TURN * 2))
@pytest.mark.parametrize("retries_too", [True, False])
def test_nobody_waits_for_ever_behind_an_endless_flood(start: int, retries_too: bool) -> None:
    """One at a time, with STAT lanes that never run out, tried and untried: every routine lane goes, within a bound that can be counted."""
    untried = list(range(100, 104))
    retries = list(range(200, 204)) if retries_too else []
    waited = dict.fromkeys((*untried, *retries), 0)
    gone = []
    for turn in itertools.count(start):
        (one,) = choose(Waiting(urgent_untried=[1], urgent_retries=[2], untried=untried, retries=retries), turn=turn, limit=1)
        if one >= 100:
            gone.append(one)
            (untried if one < 200 else retries).remove(one)
        if not untried and not retries:
            break
        assert turn - start <= ROUTINE_TURN * len(waited)
    assert sorted(gone) == sorted(waited)


def asker(delivery_id: int, *, urgent: bool = False, tried: bool = False) -> Asker:
    return Asker(delivery_id=delivery_id, is_urgent=urgent, is_tried=tried)


def test_a_fresh_stat_asks_at_once() -> None:
    """It is the one that a silent receiver must not keep waiting for its turn; once tried it takes turns like the others."""
    heads = [asker(1, tried=True), asker(2), asker(9, urgent=True)]
    assert who_asks(heads, []) == 9
    assert who_asks([*heads[:2], asker(9, urgent=True, tried=True)], [9]) == 1


@given(st.integers(min_value=1, max_value=40), st.integers(min_value=1, max_value=200))
def test_eight_take_turns_and_no_more(waiting: int, knocks: int) -> None:
    """In an outage of any length at most eight are tried, each as often as the others."""
    counts: Counter[int] = Counter()
    asked: deque[int] = deque(maxlen=ASKERS)
    for _ in range(knocks):
        heads = [asker(number, tried=counts[number] > 0) for number in range(waiting)]
        chosen = who_asks(heads, asked)
        counts[chosen] += 1
        asked.append(chosen)
    assert set(counts) == set(range(min(waiting, ASKERS, knocks)))
    assert max(counts.values()) - min(counts.values()) <= 1
