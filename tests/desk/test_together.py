"""Many stops of one reason decided about at once: what may be, by whom, and what the person has seen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.desk.actions import MOST_AT_ONCE, Desk
from bridge.desk.gates import GateDesk
from bridge.desk.together import By, Seen, Together
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopState
from bridge.model import Actor, Finding, Severity
from bridge.store.commands import EndIntake
from bridge.tables.control_table import ShutDoes
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from bridge.tables.types import Tables
from tests.bench.judged import Bench, with_policy
from tests.pages.stocked import LISBON, NOW, POLICY, Stocked, finding
from tests.tables.shipped_tables import ZONE, tables

ANA = Actor(name="Ana", verified="unverified")
BY = By(actor=ANA, reason="the folder was found today", specimen="run again")
TERMS = {"time.too_old": ReleasePolicy(bulk=True), "time.missing": ReleasePolicy(persons=2, bulk=True)}
OLD, CRITICAL = "time.too_old", finding("critical.met", severity=Severity.NOTE)


def together(shelf: Stocked, site: Tables | None = None) -> Together:
    """Give the desk for many, under the terms of this test."""
    desk = Desk(shelf.store, POLICY, lambda: shelf.now, zone=LISBON, holds=HoldTable(policies=TERMS))
    return Together(shelf.store, desk, GateDesk(shelf.store, site or tables(), lambda: shelf.now))


def hold(*rules: str, releasable: bool = True) -> tuple[Finding, ...]:
    return tuple(finding(rule, severity=Severity.HOLD, releasable=releasable) for rule in rules)


def ended(shelf: Stocked, stop_ids: list[int]) -> list[str]:
    """Give how each stop was ended, "" for one that is open."""
    rows = [shelf.store.stop(stop_id) for stop_id in stop_ids]
    return [row.closed_how for row in rows if row]


def test_many_are_released_in_the_order_in_which_they_came(shelf: Stocked) -> None:
    """A patient's earlier result goes before the later one; each is a decision of its own in the history."""
    stops = [shelf.held(found=hold(OLD)) for _ in range(3)]
    preview = together(shelf).may_release(OLD)
    assert ([row.stop_id for row in preview.stops], preview.terms.persons) == (stops[::-1], 1)
    assert together(shelf).release(OLD, seen=preview.seen, by=BY) == 3
    assert ended(shelf, stops) == ["released"] * 3
    work = []
    while intake := shelf.store.next_intake("bench-a"):
        work.append(intake.capture_id)
        shelf.store.submit(EndIntake(intake_id=intake.intake_id, at=NOW)).result(10)
    assert work == [row.capture_id for stop in stops if (row := shelf.store.stop(stop))]
    assert all([event.what for event in shelf.store.events(f"stop:{stop}")][1:] == ["stop.closed"] for stop in stops)


def test_many_are_discarded_with_one_word_on_their_specimens(shelf: Stocked) -> None:
    """It is asked before the first is gone, and kept with each."""
    stops = [shelf.held(found=hold(OLD)), shelf.rejected(found=finding(OLD))]
    preview = together(shelf).may_discard(OLD)
    assert preview.has_specimen
    with pytest.raises(RefusedAction, match="Say what becomes of the specimen"):
        together(shelf).discard(OLD, seen=preview.seen, by=replace(BY, specimen=""))
    assert ended(shelf, stops) == ["", ""]
    assert together(shelf).discard(OLD, seen=preview.seen, by=BY) == 2
    assert ended(shelf, stops) == ["discarded", "discarded"]
    assert [row.specimen for stop in stops if (row := shelf.store.stop(stop))] == ["run again", "run again"]


@pytest.mark.parametrize(
    "found",
    [
        hold(OLD, "copy.conflict"),
        hold(OLD, "patient.same_again"),
        hold(OLD, "unit.undecided"),
        hold(OLD, "controls.failed"),
        hold(OLD, "look_alike.control"),
        (*hold(OLD), CRITICAL),
        hold(OLD, "copy.possible"),  # the site's terms say nothing of it
    ],
)
def test_what_is_looked_at_by_itself_is_never_among_many(shelf: Stocked, found: tuple[Finding, ...]) -> None:
    """Identity, units, failed controls, conflicts and what is critical: whatever the terms of the rule by which it is listed, and even if terms named it too."""
    shelf.held(found=found)
    wide = HoldTable(policies={each.rule: ReleasePolicy(bulk=True) for each in found if each.rule != "copy.possible"})
    desk = Desk(shelf.store, POLICY, lambda: NOW, zone=LISBON, holds=wide)
    of_all = Together(shelf.store, desk, GateDesk(shelf.store, tables(), lambda: NOW))
    for preview in (of_all.may_release(OLD), of_all.may_discard(OLD)):
        assert (preview.stops, preview.seen) == ((), Seen(count=0, newest=0))
    for act in (of_all.release, of_all.discard):
        with pytest.raises(RefusedAction, match="nothing of this reason that may be decided about together"):
            act(OLD, seen=Seen(count=1, newest=1), by=BY)


def test_what_nobody_may_release_is_not_released_with_others(shelf: Stocked) -> None:
    """A rejected strip, one with a hold that nobody may pass over, a message that was turned away; the latter is not discarded with others either."""
    shelf.rejected(found=finding(OLD))
    shelf.held(found=hold(OLD, releasable=False))
    shelf.refused()
    assert together(shelf).may_release(OLD).stops == ()
    assert len(together(shelf).may_discard(OLD).stops) == 2
    assert together(shelf).may_discard("deliver.refused").stops == ()


def test_only_what_the_person_saw(shelf: Stocked) -> None:
    """Another that came since, or one that went and one that came: the count alone would not tell."""
    stops = [shelf.held(found=hold(OLD)) for _ in range(2)]
    seen = together(shelf).may_release(OLD).seen
    shelf.desk.release(stops[0], reason="r", actor=ANA)
    late = shelf.held(found=hold(OLD), analyzer="bench-b")
    for act in (together(shelf).release, together(shelf).discard):
        with pytest.raises(Overtaken, match="There are 2 of these now, and not just the 2 that you saw"):
            act(OLD, seen=seen, by=BY)
    assert ended(shelf, [stops[1], late]) == ["", ""]


def test_two_persons_are_asked_for_before_the_first_goes(shelf: Stocked) -> None:
    """The strictest terms of all of them count."""
    stops = [shelf.held(found=hold(OLD)), shelf.held(found=hold(OLD, "time.missing"))]
    preview = together(shelf).may_release(OLD)
    assert preview.terms.persons == 2
    with pytest.raises(RefusedAction, match="needs two persons"):
        together(shelf).release(OLD, seen=preview.seen, by=BY)
    assert ended(shelf, stops) == ["", ""]
    assert together(shelf).release(OLD, seen=preview.seen, by=replace(BY, second="Ben")) == 2
    assert [row.closed_with for stop in stops if (row := shelf.store.stop(stop))] == ["Ben", "Ben"]


@pytest.mark.parametrize("by", [replace(BY, reason=" "), replace(BY, actor=Actor(name="", verified="unverified"))])
def test_a_name_and_a_reason_are_asked_for_as_for_one(shelf: Stocked, by: By) -> None:
    """Nothing changes without them."""
    stop = shelf.held(found=hold(OLD))
    for act in (together(shelf).release, together(shelf).discard):
        with pytest.raises(RefusedAction):
            act(OLD, seen=Seen(count=1, newest=stop), by=by)
    row = shelf.store.stop(stop)
    assert row is not None
    assert row.state is StopState.OPEN


def test_a_preview_is_bounded(shelf: Stocked) -> None:
    """As many as a person can look through; the rest next time."""
    for _ in range(MOST_AT_ONCE + 1):
        shelf.held(found=hold(OLD))
    assert together(shelf).may_release(OLD).seen.count == 500


def test_what_came_before_its_controls_is_released_together_once_they_have_passed(shelf: Stocked) -> None:
    """Before, each is an emergency of its own: a gate is not walked through by twenty. Common practice as of results that came before controls that then passed."""
    bench = Bench(shelf.store, with_policy(ShutDoes.HOLD))
    assert bench.read(*(bench.patient() for _ in range(3))) == ["held"] * 3
    gates = GateDesk(bench.store, bench.tables, lambda: bench.at)
    desk = Desk(bench.store, bench.tables.policy, lambda: bench.at, zone=ZONE, holds=bench.tables.holds)
    many = Together(bench.store, desk, gates)
    assert many.may_release("controls.due").stops == ()
    assert len(many.may_discard("controls.due").stops) == 3
    for level in ("1", "2"):
        bench.read(bench.control(level))
    preview = many.may_release("controls.due")
    assert many.release("controls.due", seen=preview.seen, by=BY) == 3
    bench.work_off()
    assert bench.sent == ["1", "2", "3"]
    without = Together(bench.store, desk, GateDesk(bench.store, tables(), lambda: bench.at))
    assert without.may_release("controls.due").stops == ()  # none is left
