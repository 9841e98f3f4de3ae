"""A specimen that was run twice, against a real store: the first result stays, or is replaced by name and reason; never both."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.bench.corrections import Kind
from bridge.desk.corrections import CorrectionTerms
from bridge.desk.run_again import RunAgainDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd, StopState
from bridge.model import Actor, Answer, DeliveryState, Finding, Format, Severity
from tests.desk.test_corrections import ANA, WHO, desk_over, stands
from tests.pages.stocked import NOW, Stocked, finding

D = DeliveryState
AGAIN = finding("specimen.run_again", severity=Severity.HOLD, sentence="This specimen was run before.")


def pair(shelf: Stocked, *more: Finding, answered: bool = True) -> tuple[str, int]:
    """Give a result, and the stop of a second strip of its specimen."""
    first = shelf.coded(to=(Format.ORU_R01,), number="17", specimen_id="U-17")
    if answered:
        shelf.answered(first, Answer.ACCEPTED, "filed")
    return first, shelf.held(found=(AGAIN, *more), number="18", specimen_id="U-17")


def desk_of(shelf: Stocked, *, needs_second: bool = True) -> RunAgainDesk:
    """Give the desk; by default the site asks for a second person."""
    corrections = desk_over(shelf, terms=CorrectionTerms(needs_second=needs_second))
    return RunAgainDesk(shelf.store, shelf.desk, corrections, lambda: NOW)


def test_the_first_is_kept(shelf: Stocked) -> None:
    """HZ-I04: nothing is sent, the second strip stays with its values, who decided and why."""
    first, stop_id = pair(shelf)
    desk_of(shelf).keep_first(stop_id, reason=" run twice by mistake ", actor=ANA)
    stop = shelf.store.stop(stop_id)
    assert stop is not None
    assert (stop.state, stop.closed_how, stop.closed_reason, stop.specimen) == (
        StopState.CLOSED, StopEnd.DISCARDED, "run twice by mistake", "nothing to do",
    )  # fmt: skip
    assert stands(shelf, first) == [(1, D.ACCEPTED)]
    (second,) = shelf.store.strips(outcome="discarded")
    assert (second.number, len(second.pads)) == ("18", 2)
    with pytest.raises(Overtaken, match="has dealt with this already"):
        desk_of(shelf).replace_first(stop_id, 1, who=WHO)


def test_the_first_is_replaced(shelf: Stocked) -> None:
    """HZ-I04: it is withdrawn with its reason, and the second is judged again; the report says what takes its place."""
    first, stop_id = pair(shelf)
    told = desk_of(shelf).replace_first(stop_id, 1, who=WHO)
    assert stands(shelf, first) == [(1, D.ACCEPTED), (2, D.UNBORN)]
    row = shelf.store.correction(told.correction_id)
    assert row is not None
    assert (row.correction.kind, row.correction.by.name, row.correction.second) == (Kind.REPLACED, "Ana", "Rui")
    assert shelf.store.result_versions(first)[-1].comments[-1].endswith("another strip of the same specimen takes its place.")
    work = shelf.store.next_intake("bench-a")
    assert work is not None
    assert (work.capture_id, work.because) == (2, "released")
    stop = shelf.store.stop(stop_id)
    assert stop is not None
    assert (stop.closed_how, stop.closed_with) == (StopEnd.RELEASED, "Rui")


@pytest.mark.parametrize(
    ("who", "says"),
    [
        (replace(WHO, second=""), "A second person looks at it too"),
        (replace(WHO, second=" ana "), "The second person is somebody else"),
        (replace(WHO, reason=" "), "Give a reason"),
        (replace(WHO, actor=Actor(name="", verified="unverified")), "Say who you are"),
    ],
)
def test_nothing_is_replaced_without_names_and_a_reason(shelf: Stocked, who: object, says: str) -> None:
    """And nothing is changed by asking."""
    first, stop_id = pair(shelf)
    with pytest.raises(RefusedAction, match=says):
        desk_of(shelf).replace_first(stop_id, 1, who=who)  # type: ignore[arg-type] # parametrized
    assert stands(shelf, first) == [(1, D.ACCEPTED)]


def test_what_else_stops_the_second_is_settled_first(shelf: Stocked) -> None:
    """Else the first would be gone, and the second would not come. What is asked of the pair alone is no hindrance."""
    first, stop_id = pair(shelf, finding("time.missing", severity=Severity.HOLD))
    with pytest.raises(RefusedAction, match="Something else stops this strip too"):
        desk_of(shelf).replace_first(stop_id, 1, who=WHO)
    assert stands(shelf, first) == [(1, D.ACCEPTED)]
    other = shelf.held(found=(AGAIN, finding("copy.possible", severity=Severity.HOLD)), number="19", specimen_id="U-17")
    seen = desk_of(shelf).pair(other)
    assert seen is not None
    assert (seen.first and seen.first.number, seen.version, seen.others) == ("17", 1, ())


def test_a_first_that_stands_no_more_is_neither_kept_nor_replaced(shelf: Stocked) -> None:
    """Somebody withdrew it meanwhile: then the second is read again, and goes. Another version is looked at again."""
    first, stop_id = pair(shelf)
    with pytest.raises(Overtaken):
        desk_of(shelf).replace_first(stop_id, 2, who=WHO)
    desk_over(shelf).withdraw(first, 1, who=WHO)
    for act in (
        lambda: desk_of(shelf).keep_first(stop_id, reason="r", actor=ANA),
        lambda: desk_of(shelf).replace_first(stop_id, 2, who=WHO),
    ):
        with pytest.raises(RefusedAction, match="The first result does not stand any more"):
            act()


def test_another_row_is_no_pair(shelf: Stocked) -> None:
    """A stop for another reason, and one that is not there."""
    other = shelf.held(number="5")
    assert desk_of(shelf).pair(other) is None
    assert desk_of(shelf).pair(999) is None
    with pytest.raises(RefusedAction, match="There is no such row"):
        desk_of(shelf).keep_first(other, reason="r", actor=ANA)
