"""Lots that people enter: typed from an insert, signed by another person, and then what controls are judged by."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.desk.lots import LotDesk, lots_in_use, typed_lots
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor, GateState
from bridge.store.sqlite import SqliteStore
from tests.bench.controls_for_tests import compiled, lot
from tests.bench.judged import Bench, with_policy
from tests.judging_for_tests import NOW

HOLM, VANCE = Actor(name="R. Holm", verified="unverified"), Actor(name="T. Vance", verified="unverified")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an analyzer whose site has materials and a gate, and no lot in its file."""
    made = with_policy()
    bare = replace(made, controls=replace(made.controls, lots=()))
    bench = Bench(SqliteStore(tmp_path, now=lambda: NOW), bare)
    yield bench
    bench.store.close()


@pytest.fixture
def desk(bench: Bench) -> LotDesk:
    """Give the desk beside it."""
    return LotDesk(bench.store, bench.tables, lambda: bench.at)


def typed(level: str, code: str, **more: Any) -> dict[str, Any]:
    """Give a lot as a form gives it: nothing of who entered or signed it."""
    return {key: value for key, value in lot(level, code, **more).items() if key not in {"entered", "signed"}}


def test_a_lot_opens_a_gate_once_a_second_person_signed_it(bench: Bench, desk: LotDesk) -> None:
    """Before the signature its runs count for nothing; after it two levels open the gate, by the very ranges that were typed. HZ-E04."""
    numbers = [desk.enter(typed("1", "B1-0771"), actor=HOLM), desk.enter(typed("2", "B2-0772"), actor=HOLM)]
    for level in ("1", "2"):
        bench.read(bench.control(level))
    assert bench.store.gates()[0].gate.state is GateState.START
    assert [event.what for event in bench.store.gate_events()] == ["does not count"] * 2
    with pytest.raises(RefusedAction, match="You entered this lot yourself"):
        desk.sign(numbers[0], actor=replace(HOLM, name="r. holm"))
    for number in numbers:
        desk.sign(number, actor=VANCE)
    assert [(each.lot, each.entered_by, each.signed_by) for each in lots_in_use(bench.store, bench.tables)] == [
        ("B1-0771", "R. Holm", "T. Vance"),
        ("B2-0772", "R. Holm", "T. Vance"),
    ]
    assert [each.expected for each in lots_in_use(bench.store, bench.tables)] == [each.expected for each in compiled().lots]
    for level in ("1", "2"):
        bench.read(bench.control(level))
    assert bench.store.gates()[0].gate.state is GateState.OPEN
    assert bench.read(bench.patient()) == ["coded"]


def test_a_lot_taken_out_of_use_judges_nothing(bench: Bench, desk: LotDesk) -> None:
    """The run is kept and says that its lot is not known; a lot is taken out once."""
    number = desk.enter(typed("1", "B1-0771"), actor=HOLM)
    desk.sign(number, actor=VANCE)
    desk.close(number, reason=" typed wrong ", actor=HOLM)
    bench.read(bench.control("1"))
    assert "NOT_KNOWN" in bench.store.gate_events()[0].run
    with pytest.raises(Overtaken, match="out of use already"):
        desk.close(number, reason="again", actor=HOLM)
    assert bench.store.events(f"lot:{number}")[-1].reason == "typed wrong"


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"material": "brich"}, "There is no control material 'brich'. Did you mean 'birch'?"),
        ({"expires": "31.3.2027"}, "Something is missing or not of its kind. Look at: expires."),
        ({"lot": ""}, "Something is missing or not of its kind. Look at: lot."),
        ({"expected": [{"pad": "glucose", "low": "negative"}]}, "Nothing is expected of ketones."),
    ],
)
def test_what_cannot_stand_is_not_kept(bench: Bench, desk: LotDesk, wrong: dict[str, Any], words: str) -> None:
    """By the same rules as the site's file, in words for who typed it. HZ-E04."""
    with pytest.raises(RefusedAction) as caught:
        desk.enter(typed("1", "B1-0771", **wrong), actor=HOLM)
    assert str(caught.value).startswith(words)
    assert bench.store.control_lots() == ()


def test_one_text_names_one_lot(bench: Bench, desk: LotDesk) -> None:
    """Two lots under one text would leave every control undecided; two levels may share their code."""
    desk.enter(typed("1", "B-9", labels=["VIAL"]), actor=HOLM)
    desk.enter(typed("2", "B-9"), actor=HOLM)
    for code, labels in (("B-9", []), ("VIAL", []), ("B-10", ["VIAL"])):
        with pytest.raises(RefusedAction, match="is entered already, as level 1 of birch"):
            desk.enter(typed("1", code, labels=labels), actor=HOLM)
    assert len(typed_lots(bench.store, bench.tables)) == 2


def test_a_lot_that_the_tables_no_longer_understand_judges_nothing(bench: Bench, desk: LotDesk) -> None:
    """A material that was taken out of the file: its lots stay, with the reason, and open nothing."""
    desk.enter(typed("1", "B1-0771"), actor=HOLM)
    other = replace(bench.tables, controls=replace(bench.tables.controls, materials={}))
    (kept,) = typed_lots(bench.store, other)
    assert (kept.lot, kept.fault) == (None, "There is no control material 'birch'. Use one of: .")
    assert lots_in_use(bench.store, other) == ()


def test_every_action_has_a_name(bench: Bench, desk: LotDesk) -> None:
    """And taking out a reason too."""
    number = desk.enter(typed("1", "B1-0771"), actor=HOLM)
    nobody = Actor(name=" ", verified="unverified")
    for act in (
        lambda: desk.enter(typed("2", "B2-0772"), actor=nobody),
        lambda: desk.sign(number, actor=nobody),
        lambda: desk.close(number, reason="r", actor=nobody),
    ):
        with pytest.raises(RefusedAction, match="Say who you are"):
            act()
    with pytest.raises(RefusedAction, match="Give a reason"):
        desk.close(number, reason=" ", actor=HOLM)
