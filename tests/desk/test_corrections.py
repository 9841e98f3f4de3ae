"""On which terms a result that was sent is corrected, moved or withdrawn, against a real store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from bridge.bench.corrections import Kind, Unit
from bridge.bench.registered import Registration
from bridge.desk.corrections import LONGEST_COMMENT, CorrectionDesk, CorrectionTerms, Typed, Who
from bridge.errors import Overtaken, RefusedAction, RejectError
from bridge.model import Actor, Answer, CodedResult, DeliveryState, Flag, Format, Purpose, ResultStatus, Sex
from bridge.store.commands import EnterOperator
from bridge.store.life_commands import RegisterId
from bridge.tables.flag_table import Band
from bridge.tables.types import Tables
from tests.pages import stocked
from tests.pages.stocked import GOOD, LISBON, MISTYPED, NOW, OTHER, POLICY, Stocked
from tests.store.operator_contract import ANA as OPERATOR
from tests.tables.shipped_tables import tables

ANA = Actor(name="Ana", verified="unverified")
WHO = Who(actor=ANA, second="Rui", reason="the ward called")
D = DeliveryState


@pytest.fixture
def sent(shelf: Stocked) -> str:
    """Give a result that its receiver has accepted."""
    result = shelf.coded(to=(Format.ORU_R01,), number="17", specimen_id="U-17")
    shelf.answered(result, Answer.ACCEPTED, "filed")
    return result


def desk_over(
    shelf: Stocked,
    *,
    terms: CorrectionTerms | None = None,
    says: Callable[[CodedResult], None] | None = None,
    of: Tables | None = None,
) -> CorrectionDesk:
    """Give the desk; by default the site asks for a second person and every receiver can be told."""
    return CorrectionDesk(
        shelf.store,
        of or replace(tables(), policy=POLICY),
        lambda: NOW,
        zone=LISBON,
        terms=terms or CorrectionTerms(),
        says=says or (lambda _: None),
    )


def typed(**more: str) -> Typed:
    return Typed(**{"order_number": "", "specimen_id": "U-17", **more})


def stands(shelf: Stocked, result: str) -> list[tuple[int, DeliveryState]]:
    return [(row.version, row.state) for row in shelf.store.deliveries(result)]


def test_order_specimen_time_and_comment_are_corrected(shelf: Stocked, sent: str) -> None:
    """A new version of the same result, with both names and the reason kept; the time is the clock's on the wall."""
    told = desk_over(shelf).correct(
        sent, 1, typed(order_number=" ORD-2 ", specimen_id="U-71", day="2026-11-25", clock="11:30", comment="turbid"), who=WHO
    )
    found = shelf.store.result(sent)
    assert found is not None
    assert found.result is not None
    assert (found.version, found.result.order_number, found.result.specimen_id) == (2, "ORD-2", "U-71")
    assert found.result.collected_at == datetime(2026, 11, 25, 11, 30, tzinfo=UTC)
    assert found.result.pads == shelf.store.result_versions(sent)[0].pads
    assert stands(shelf, sent) == [(1, D.ACCEPTED), (2, D.UNBORN)]
    row = shelf.store.correction(told.correction_id)
    assert row is not None
    of = row.correction
    assert (of.kind, of.by.name, of.second, of.reason, of.calls_by, of.at) == (
        Kind.CORRECTED, "Ana", "Rui", "the ward called", None, NOW,
    )  # fmt: skip
    assert of.fields == ("order number", "specimen number", "collection time", "comment")


def test_a_withdrawal_is_to_be_acknowledged_within_the_sites_time(shelf: Stocked, sent: str) -> None:
    """The version that takes it back is W; after the time units are telephoned."""
    told = desk_over(shelf, terms=CorrectionTerms(acknowledged_within=timedelta(minutes=10))).withdraw(sent, 1, who=WHO)
    assert [version.status for version in shelf.store.result_versions(sent)] == [ResultStatus.FINAL, ResultStatus.WITHDRAWN]
    row = shelf.store.correction(told.correction_id)
    assert row is not None
    assert (row.correction.calls_by, row.correction.is_critical) == (NOW + timedelta(minutes=10), False)


def test_the_right_patient_is_keyed_twice_and_compared_with_the_strip(shelf: Stocked, sent: str) -> None:
    """HZ-I03: as a corrected ID before sending is; the new result has a number that the store never gave before."""
    desk = desk_over(shelf)
    right: dict[str, Any] = {"first": OTHER, "second": OTHER, "second_identifier": "U-17", "who": WHO}
    for wrong, why in (
        ({"second": GOOD}, "differ"),
        ({"first": MISTYPED, "second": MISTYPED}, "check digit"),
        ({"first": "", "second": ""}, "empty"),
        ({"first": GOOD, "second": GOOD}, "already"),
        ({"second_identifier": "U-18"}, "does not belong"),
    ):
        with pytest.raises(RefusedAction, match=why):
            desk.move(sent, 1, **{**right, **wrong})
    assert stands(shelf, sent) == [(1, D.ACCEPTED)]
    told = desk.move(sent, 1, **right)
    row = shelf.store.correction(told.correction_id)
    assert row is not None
    new = row.correction.new_result_id
    assert new.startswith(f"{shelf.store.epoch}R")
    assert stands(shelf, new) == [(1, D.UNBORN)]
    (moved_to,) = shelf.store.result_versions(new)
    assert moved_to.patient_id == OTHER


@pytest.mark.parametrize(
    ("who", "why"),
    [
        (replace(WHO, actor=Actor(name=" ", verified="unverified")), "who you are"),
        (replace(WHO, reason=" "), "reason"),
        (replace(WHO, second=""), "second person"),
        (replace(WHO, second=" aNA "), "another name"),
    ],
)
def test_nothing_is_done_without_names_and_a_reason(shelf: Stocked, sent: str, who: Who, why: str) -> None:
    """A second person is a different name; where the site asks for none, one is enough."""
    desk = desk_over(shelf)
    with pytest.raises(RefusedAction, match=why):
        desk.correct(sent, 1, typed(comment="c"), who=who)
    with pytest.raises(RefusedAction, match=why):
        desk.withdraw(sent, 1, who=who)
    with pytest.raises(RefusedAction, match=why):
        desk.move(sent, 1, first=OTHER, second=OTHER, second_identifier="U-17", who=who)
    assert shelf.store.corrections() == ()


def test_one_person_is_enough_where_the_site_says_so(shelf: Stocked, sent: str) -> None:
    """A clinic of one."""
    desk_over(shelf, terms=CorrectionTerms(needs_second=False)).withdraw(sent, 1, who=replace(WHO, second=""))
    assert len(shelf.store.corrections()) == 1


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({}, "Nothing would change"),
        ({"day": "2026-11-25", "clock": "13:00"}, "after the strip was read"),
        ({"day": "2025-11-25", "clock": "11:00"}, "more than 30 days"),
        ({"day": "soon", "clock": "11:00"}, "not a date"),
        ({"order_number": "9" * 61}, "at most 60"),
        ({"comment": "x" * (LONGEST_COMMENT + 1)}, "at most 300"),
    ],
)
def test_what_cannot_be_right_is_refused(shelf: Stocked, sent: str, more: dict[str, str], why: str) -> None:
    """A clear sentence, and nothing is changed."""
    with pytest.raises(RefusedAction, match=why):
        desk_over(shelf).correct(sent, 1, typed(**more), who=WHO)
    assert shelf.store.corrections() == ()


def test_what_a_receiver_cannot_be_told_is_refused_before_anything_is_kept(shelf: Stocked, sent: str) -> None:
    """A comment that its character set lacks would stop the queue, not the person."""

    def says(_: CodedResult) -> None:
        raise RejectError("render.charset", "It lacks a letter.", remedy="Write it otherwise.")

    with pytest.raises(RefusedAction, match=r"It lacks a letter\. Write it otherwise\."):
        desk_over(shelf, says=says).correct(sent, 1, typed(comment="€"), who=WHO)
    assert stands(shelf, sent) == [(1, D.ACCEPTED)]


def test_who_saw_another_version_is_overtaken(shelf: Stocked, sent: str) -> None:
    """Also once it was withdrawn; a result that never was, and one of no patient, are refused."""
    desk = desk_over(shelf)
    with pytest.raises(Overtaken):
        desk.withdraw(sent, 2, who=WHO)
    desk.withdraw(sent, 1, who=WHO)
    with pytest.raises(Overtaken):
        desk.correct(sent, 2, typed(comment="c"), who=WHO)
    with pytest.raises(RefusedAction, match="no such result"):
        desk.withdraw("NONE", 1, who=WHO)
    with pytest.raises(RefusedAction, match="no patient's"):
        desk.withdraw(shelf.sent_control(), 1, who=WHO)


def test_a_critical_result_is_known_as_one(shelf: Stocked, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its units are telephoned at once."""
    made = stocked._result
    monkeypatch.setattr(
        stocked,
        "_result",
        lambda name, checked: replace(
            made(name, checked), pads=tuple(replace(pad, flag=Flag.CRITICAL) for pad in made(name, checked).pads)
        ),
    )
    told = desk_over(shelf).withdraw(shelf.coded(to=(Format.ORU_R01,)), 1, who=WHO)
    row = shelf.store.correction(told.correction_id)
    assert row is not None
    assert row.correction.is_critical


def test_a_call_names_who_was_told(shelf: Stocked, sent: str) -> None:
    """By whom, and whether it was read back."""
    desk = desk_over(shelf)
    number = desk.withdraw(sent, 1, who=WHO).correction_id
    for told, actor, why in (("", ANA, "whom you told"), ("ward 3", Actor(name="", verified="unverified"), "who you are")):
        with pytest.raises(RefusedAction, match=why):
            desk.record_call(number, Unit.WRONG, told=told, read_back=True, actor=actor)
    desk.record_call(number, Unit.WRONG, told=" nurse Eva, ward 3 ", read_back=True, actor=ANA)
    row = shelf.store.correction(number)
    assert row is not None
    assert [(call.told, call.by.name, call.read_back, call.at) for call in row.calls] == [("nurse Eva, ward 3", "Ana", True, NOW)]


def test_a_comment_alone_changes_nothing_else(shelf: Stocked, sent: str) -> None:
    """What a look-back tells the reader of the report; order and specimen number stay as they are, and an empty one is refused."""
    desk = desk_over(shelf)
    desk.comment(sent, 1, " controls failed after this strip ", who=WHO)
    first, second = shelf.store.result_versions(sent)
    assert second.comments[-1].endswith("controls failed after this strip")
    assert (second.order_number, second.specimen_id, second.collected_at) == (
        first.order_number,
        first.specimen_id,
        first.collected_at,
    )
    with pytest.raises(RefusedAction, match="Nothing would change"):
        desk.comment(sent, 2, " ", who=WHO)
    with pytest.raises(RefusedAction, match="at most 300 characters"):
        desk.comment(sent, 2, "x" * (LONGEST_COMMENT + 1), who=WHO)


def test_a_row_of_a_look_back_that_is_not_there_sends_nothing(shelf: Stocked, sent: str) -> None:
    """HZ-E08: somebody was faster, or the row is of another strip."""
    with pytest.raises(Overtaken, match="Somebody has decided about this result already"):
        desk_over(shelf).withdraw(sent, 1, who=replace(WHO, look_back=7))
    assert stands(shelf, sent) == [(1, D.ACCEPTED)]


MOVE: dict[str, Any] = {"first": OTHER, "second": OTHER, "second_identifier": "U-17", "who": WHO}


def test_nothing_moves_to_an_identifier_that_is_no_patients(shelf: Stocked, sent: str) -> None:
    """HZ-A04, HZ-I03: an operator's number and a registered identifier are built like patient IDs here; a result there is in nobody's record."""
    shelf.store.submit(EnterOperator(operator=replace(OPERATOR, number=OTHER), actor=ANA, at=NOW)).result(10)
    with pytest.raises(RefusedAction, match="This is an operator's number, and no patient's ID"):
        desk_over(shelf).move(sent, 1, **MOVE)
    of = Registration(text="40700023", purpose=Purpose.PROFICIENCY, scheme="round 3", since=NOW.date(), until=NOW.date())
    shelf.store.submit(RegisterId(registration=of, actor=ANA, at=NOW)).result(10)
    with pytest.raises(RefusedAction, match=r"registered for proficiency \(round 3\), and is no patient's"):
        desk_over(shelf).move(sent, 1, **{**MOVE, "first": "40700023", "second": "40700023"})
    assert stands(shelf, sent) == [(1, D.ACCEPTED)]


def test_a_printed_sex_does_not_move_and_holds_the_result_only_where_flags_may_rest_on_it(shelf: Stocked) -> None:
    """HZ-I03: the site has no limits by sex, and the result was coded with the tables in use: it moves without what was printed."""
    result = shelf.coded(to=(Format.ORU_R01,), number="17", specimen_id="U-17", sex=Sex.FEMALE)
    shelf.answered(result, Answer.ACCEPTED, "filed")
    known = shelf.store.result_versions(result)[0]
    in_use = replace(tables(), policy=POLICY, digest=known.tables_digest)
    banded = replace(
        in_use,
        flags=replace(
            in_use.flags, bands={"protein": (Band(pad="protein", sex=Sex.MALE, from_age=0, to_age=None, expected="Negative"),)}
        ),
    )
    for of in (banded, replace(in_use, digest="another")):
        with pytest.raises(RefusedAction, match="may rest on the age or sex"):
            desk_over(shelf, of=of).move(result, 1, **MOVE)
    desk_over(shelf, of=in_use).move(result, 1, **MOVE)
    (row,) = shelf.store.corrections()
    made = shelf.store.result_versions(row.correction.new_result_id)[0]
    assert (made.patient_id, made.sex, known.sex) == (OTHER, None, Sex.FEMALE)
