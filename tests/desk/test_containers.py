"""Containers as people enter them: what is taken, what is asked again, and what comes of the strips of the bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge.bench.containers import ContainerEnd
from bridge.desk.containers import ContainerDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor, GateState
from bridge.store.sqlite import SqliteStore
from tests.bench.judged import SUND
from tests.bench.shelved import TYPED, Shelved
from tests.judging_for_tests import NOW
from tests.tables.shipped_tables import tables

VANCE = Actor(name="T. Vance", verified="unverified")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a real, empty store."""
    made = SqliteStore(tmp_path, now=lambda: NOW)
    yield made
    made.close()


@pytest.fixture
def bench(store: SqliteStore) -> Shelved:
    """Give an analyzer whose site asks for containers, and has no gate."""
    return Shelved(store)


def test_strips_of_an_unknown_container_are_held_and_go_once_it_is_entered(bench: Shelved) -> None:
    """HZ-C02: nothing of the first strips goes; the person who enters the container has nothing else to do for them."""
    assert [bench.read(bench.patient()) for _ in range(3)] == [["held"]] * 3
    assert [stop.rule for stop in bench.store.stops()] == ["container.unknown"] * 3
    bench.open(opened="2026-11-25T08:00")
    assert (bench.sent, bench.store.stops()) == (["1", "2", "3"], ())
    assert bench.read(bench.patient()) == ["coded"]
    assert {stop.closed_by for stop in bench.store.stops(is_open=False)} == {"A. Sund (unverified)"}


def test_a_control_is_not_asked_for_its_container(bench: Shelved) -> None:
    """It is what tells whether the container is good."""
    assert bench.read(bench.control("1")) == ["non_patient"]


def test_the_code_of_the_container_before_is_held(bench: Shelved) -> None:
    """HZ-C02: the new container is entered, and the analyzer still prints the lot of the old one, which is used up."""
    old = bench.open()
    assert bench.read(bench.patient()) == ["coded"]
    bench.minute += 1
    bench.desk.close(old, how=ContainerEnd.USED_UP, reason="", actor=SUND)
    bench.open(strip_lot="24B07", expires="2027-08-31")
    bench.minute += 1
    assert bench.read(bench.patient()) == ["held"]
    assert [stop.rule for stop in bench.store.stops()] == ["container.unknown"]


def test_expired_strips_are_held_whatever_anybody_says(bench: Shelved) -> None:
    """HZ-C03: read behind the last day, and not to be released; a mistake in the day is put right by entering it anew."""
    wrong = bench.open(expires="2026-11-25")
    bench.minute = 24 * 60
    assert bench.read(bench.patient()) == ["held"]
    (stop,) = bench.store.stops()
    assert (stop.rule, stop.releasable) == ("container.expired", False)
    with pytest.raises(RefusedAction, match=r"Lot 24A01 is entered with the last day 2026-11-25\."):
        bench.open()
    with pytest.raises(RefusedAction, match="Say what was wrong"):
        bench.desk.close(wrong, how=ContainerEnd.MISTAKE, reason=" ", actor=SUND)
    bench.desk.close(wrong, how=ContainerEnd.MISTAKE, reason="read the wrong line", actor=SUND)
    bench.open(opened="2026-11-25T09:00")
    assert bench.read(bench.patient()) == ["coded"]
    with pytest.raises(Overtaken):
        bench.desk.close(wrong, how=ContainerEnd.MISTAKE, reason="again", actor=SUND)


def test_a_container_that_is_open_too_long_is_held(bench: Shelved) -> None:
    """HZ-C04: 90 days after its opening nothing goes any more."""
    bench.open()
    bench.minute = 90 * 24 * 60
    assert bench.read(bench.patient()) == ["coded"]
    bench.minute = 91 * 24 * 60
    assert bench.read(bench.patient()) == ["held"]
    assert [stop.rule for stop in bench.store.stops()] == ["container.open_too_long"]


def test_a_new_container_asks_for_its_controls(store: SqliteStore) -> None:
    """HZ-E01: results wait until every level has passed on it."""
    bench = Shelved(store, gate=True)
    bench.open()
    bench.minute += 1
    for level in ("1", "2"):
        bench.read(bench.control(level))
    assert (bench.read(bench.patient()), bench.state) == (["coded"], GateState.OPEN)
    bench.minute += 1
    bench.open()
    bench.minute += 1
    assert (bench.read(bench.patient()), bench.state) == (["waiting"], GateState.START)
    for level in ("1", "2"):
        bench.read(bench.control(level))
    assert bench.sent == ["3", "4"]


def test_a_strip_without_container_and_controls_is_held_then_waits(store: SqliteStore) -> None:
    """One after the other: a person enters the container, and the controls do the rest."""
    bench = Shelved(store, gate=True)
    assert bench.read(bench.patient()) == ["held"]
    bench.open(opened="2026-11-25T08:00")
    assert [strip.number for strip in bench.store.strips(outcome="waiting")] == ["1"]
    bench.minute += 1
    for level in ("1", "2"):
        bench.read(bench.control(level))
    assert bench.sent == ["1"]


def test_a_new_lot_waits_for_a_persons_word(store: SqliteStore) -> None:
    """HZ-C05: entered, in date, and still held until it was compared with the lot in use, accepted by one person and signed by another; taken back, it is held again."""
    bench = Shelved(store, findings={"new_lot": "hold"})
    bench.open()
    assert bench.read(bench.patient()) == ["held"]
    assert [stop.rule for stop in store.stops()] == ["container.new_lot"]
    with pytest.raises(RefusedAction, match="Say what it was compared with"):
        bench.desk.accept_lot("quill-10", "24A01", reason=" ", actor=SUND)
    with pytest.raises(RefusedAction, match="Say who you are"):
        bench.desk.accept_lot("quill-10", "24A01", reason="20 pairs", actor=Actor(name="", verified="unverified"))
    bench.desk.accept_lot("quill-10", "24A01", reason=" 20 pairs ", actor=SUND)
    bench.judging.shelf.forget()
    bench.work_off()
    assert (bench.sent, len(store.stops())) == ([], 1)
    for nobody, words in ((SUND, "You accepted this lot yourself"), (Actor(name=" ", verified="unverified"), "Say who you are")):
        with pytest.raises(RefusedAction, match=words):
            bench.desk.sign_lot("quill-10", "24A01", actor=nobody)
    bench.desk.sign_lot("quill-10", "24A01", actor=VANCE)
    bench.judging.shelf.forget()
    bench.work_off()
    assert (bench.sent, store.stops()) == (["1"], ())
    assert bench.read(bench.patient()) == ["coded"]
    bench.desk.withdraw_lot("quill-10", "24A01", reason="false low in the controls", actor=SUND)
    bench.judging.shelf.forget()
    assert bench.read(bench.patient()) == ["held"]


def test_a_site_that_asks_for_none_accepts_none(bench: Shelved) -> None:
    """Nothing is kept that nothing would follow from."""
    for does in (bench.desk.accept_lot, bench.desk.withdraw_lot):
        with pytest.raises(RefusedAction, match="This site asks for no lots to be accepted"):
            does("quill-10", "24A01", reason="20 pairs", actor=SUND)
    with pytest.raises(RefusedAction, match="This site asks for no lots to be accepted"):
        bench.desk.sign_lot("quill-10", "24A01", actor=VANCE)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"strip_type": "quil"}, "Choose the analyzer and the strip type."),
        ({"strip_lot": "  "}, "Give the lot code as the analyzer prints it."),
        ({"strip_lot": "2" * 41}, "Give the lot code as the analyzer prints it."),
        ({"strip_lot": "24\x0701"}, "Give the lot code as the analyzer prints it."),
        ({"expires": "03/2027"}, "Where it has a month only, the last day of that month is meant."),
        ({"expires": "2026-11-24"}, "This container is past its last day, 2026-11-24: do not use it."),
        ({"expires": "2207-03-31"}, "No strips keep to 2207-03-31. Look at the year on the label."),
        ({"opened": "yesterday"}, "Give the day and time of opening"),
        ({"opened": "2026-11-26T09:00"}, "would be opened in the future"),
        ({"opened": "2025-10-01T09:00"}, "opened more than a year ago"),
    ],
)
def test_what_cannot_be_meant_is_asked_again(bench: Shelved, wrong: dict[str, str], words: str) -> None:
    """A slip of the pen here would let expired strips go, or hold good ones."""
    with pytest.raises(RefusedAction) as caught:
        bench.desk.open(replace(TYPED, **wrong), actor=SUND)
    assert words in str(caught.value)
    assert bench.store.containers() == ()


def test_who_enters_is_kept(bench: Shelved) -> None:
    """Nobody enters anything without a name; blanks around a lot are the typist's."""
    with pytest.raises(RefusedAction, match="Say who you are"):
        bench.open(actor=Actor(name=" ", verified="unverified"))
    one = bench.open(strip_lot=" 24A01 ")
    (row,) = bench.store.containers()
    assert (row.container.container_id, row.container.strip_lot, row.entered_by) == (one, "24A01", "A. Sund")
    with pytest.raises(RefusedAction, match="Say who you are"):
        bench.desk.close(one, how=ContainerEnd.USED_UP, reason="", actor=Actor(name="", verified="unverified"))


def test_the_sites_clock_counts(bench: Shelved) -> None:
    """Lisbon in winter is UTC, in summer an hour ahead; a minute in the future is now, since clocks differ."""
    bench.open(opened="2026-08-25T09:00")
    bench.open(opened=(bench.at + timedelta(minutes=1)).strftime("%Y-%m-%dT%H:%M"))
    summer, now = bench.store.containers()
    assert summer.container.opened_at == datetime(2026, 8, 25, 8, 0, tzinfo=UTC)
    assert now.container.opened_at == bench.at


def test_a_site_without_the_file_keeps_no_containers(store: SqliteStore) -> None:
    """Nothing is kept that nothing would follow from."""
    desk = ContainerDesk(store, tables(), lambda: NOW)
    with pytest.raises(RefusedAction, match="This site asks for no containers"):
        desk.open(TYPED, actor=SUND)
