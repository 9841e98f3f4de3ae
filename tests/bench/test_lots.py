"""Lots looked back on: their strips added up, told by the container where no lot is printed, and two of them compared."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from bridge.bench.charts import Counts
from bridge.bench.lots import LotReading, LotUse, PadAgreement, agreement, pairs, tallied, told_by_container
from bridge.model import DeliveryState, Purpose
from tests.bench.containers_for_tests import container
from tests.tables.shipped_tables import tables

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
QUILL = tables().strip_types["quill-10"]


def at(minutes: int) -> datetime:
    """Give a minute of the morning."""
    return AT + timedelta(minutes=minutes)


def use(number: int, **more: object) -> LotUse:
    """Give a strip that was sent to one receiver and waits for another."""
    ways = (("chart", DeliveryState.QUEUED), ("records", DeliveryState.ACCEPTED))
    plain = LotUse(
        strip_id=number, analyzer="bench-a", number=str(number), purpose=Purpose.PATIENT, outcome="coded", patient_id="40718801", specimen_id="",
        read_at=at(number), result_id=f"R{number}", ways=ways,
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type] # its own fields, of several types


def test_a_lot_is_added_up() -> None:
    """By what became of the strips and by where each result stands; a patient counts once."""
    uses = [
        use(1),
        use(2),
        use(3, patient_id="40718819", outcome="held", ways=()),
        use(4, purpose=Purpose.CONTROL, patient_id="", outcome="non_patient", ways=()),
    ]
    found = tallied(uses)
    assert (found.strips, found.patients) == (4, 2)
    assert dict(found.outcomes) == {
        (Purpose.CONTROL, "non_patient"): 1,
        (Purpose.PATIENT, "coded"): 2,
        (Purpose.PATIENT, "held"): 1,
    }
    assert dict(found.ways) == {("chart", DeliveryState.QUEUED): 2, ("records", DeliveryState.ACCEPTED): 2}
    assert tallied([]).strips == 0


@given(st.lists(st.sampled_from(["coded", "held", "rejected"])), st.randoms())
def test_the_sum_of_a_lot_adds_up(outcomes: list[str], shuffle: object) -> None:
    """Property: every strip stands under one outcome, and every result under one state for each receiver."""
    uses = [use(n, outcome=outcome, ways=use(n).ways if outcome == "coded" else ()) for n, outcome in enumerate(outcomes)]
    found = tallied(uses)
    assert sum(found.outcomes.values()) == found.strips == len(outcomes)
    assert sum(found.ways.values()) == 2 * outcomes.count("coded")


def test_strips_without_a_lot_are_told_by_their_container() -> None:
    """The analyzer prints none: a strip is from the container that was entered for it last, and of that one's lot."""
    chain = (
        container(at(10), container_id=1),
        container(at(20), container_id=2, strip_lot="24B07"),
        container(at(30), container_id=3, closed_at=at(40)),
    )
    uses = [use(minute) for minute in (9, 10, 19, 20, 29, 30, 39, 40)]
    found = told_by_container(uses, {"bench-a": chain}, "24A01")
    assert [each.strip_id for each in found] == [10, 19, 30, 39]
    assert list(told_by_container(uses, {"bench-b": chain}, "24A01")) == []


def reading(number: int, lot: str, said: str = "Q1", *, purpose: Purpose = Purpose.COMPARISON, **pads: int) -> LotReading:
    """Give a strip that was read in the minute of its number."""
    return LotReading(
        strip_id=number, analyzer="a", strip_lot=lot, purpose=purpose, read_at=at(number), said=said, pads=tuple(pads.items())
    )


def test_the_same_specimen_is_a_pair_in_the_order_of_reading() -> None:
    """Controls and comparison strips; patients' strips, and what says nothing of its specimen, have no pair; nor has a third reading."""
    first = [
        reading(5, "A", "Q2"),
        reading(1, "A"),
        reading(3, "A"),
        reading(4, "A", "Q3"),
        reading(6, "A", "P", purpose=Purpose.PATIENT),
        reading(7, "A", ""),
    ]
    second = [
        reading(12, "B"),
        reading(11, "B", "Q2", purpose=Purpose.CONTROL),
        reading(13, "B"),
        reading(14, "B"),
        reading(16, "B", "P", purpose=Purpose.PATIENT),
        reading(17, "B", ""),
    ]
    found = pairs(first, second)
    assert [(each.said, each.first.strip_id, each.second.strip_id) for each in found] == [
        ("Q1", 1, 12),
        ("Q1", 3, 13),
        ("Q2", 5, 11),
    ]
    assert pairs(first, []) == ()


def test_two_lots_agree_pad_by_pad() -> None:
    """HZ-C05, what of it is figures: exact, one step, further apart, and across negative; with the interval that scipy gives (binomtest, wilson)."""
    first = [reading(n, "A", f"Q{n}", glucose=rank, ph=3) for n, rank in enumerate((0, 0, 1, 2, 4))]
    second = [reading(n, "B", f"Q{n}", glucose=rank, ph=rank) for n, rank in enumerate((0, 1, 1, 3, 2))]
    found = {each.pad: each for each in agreement(pairs(first, second), QUILL)}
    assert list(found) == list(QUILL.places)
    assert found["glucose"] == PadAgreement(
        pad="glucose", counts=Counts(exact=2, one=2, more=1), crossed=1, negative=2, positive=3
    )
    assert found["ph"] == PadAgreement(pad="ph", counts=Counts(exact=1, one=1, more=3), crossed=0, negative=0, positive=0)
    assert found["blood"].counts.n == 0
    share = found["glucose"].counts.within_one_share
    theirs = binomtest(4, 5).proportion_ci(0.95, method="wilson")
    assert share is not None
    assert (share.low, share.high) == pytest.approx((theirs.low, theirs.high))


def test_a_value_that_was_not_understood_is_no_agreement() -> None:
    """Nor is it a difference: the pair is left out of that pad's count."""
    (glucose,) = (
        each
        for each in agreement(pairs([reading(1, "A", glucose=-1, ph=2)], [reading(2, "B", glucose=0, ph=2)]), QUILL)
        if each.pad == "glucose"
    )
    assert glucose.counts.n == 0


def test_words_are_the_same_or_further_apart() -> None:
    """Colours have no order: straw is not one step from amber."""
    sorrel = tables().strip_types["sorrel-14"]
    found = {each.pad: each for each in agreement(pairs([reading(1, "A", colour=0)], [reading(2, "B", colour=1)]), sorrel)}
    assert found["colour"].counts == Counts(exact=0, one=0, more=1)
