"""Rows are frozen values that hold no connection and no mutable part."""

from __future__ import annotations

import dataclasses
import inspect
import typing

import pytest

from bridge.store import rows

KINDS: list[type] = [
    kind
    for _, kind in inspect.getmembers(rows, inspect.isclass)
    if dataclasses.is_dataclass(kind) and kind.__module__ == rows.__name__
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_row_is_frozen_named_and_holds_no_mutable_part(kind: type) -> None:
    """Rows go to other threads and pages: nobody can change one, fill it by position, or find a list in it."""
    assert kind.__dataclass_params__.frozen  # type: ignore[attr-defined]  # dataclasses' own record of its arguments
    assert "__slots__" in vars(kind)
    assert all(field.kw_only for field in dataclasses.fields(kind))
    for held in typing.get_type_hints(kind).values():
        assert typing.get_origin(held) not in (list, dict, set)


def test_every_question_has_a_row_of_its_own() -> None:
    """One frozen type a question, as the module says."""
    assert [kind.__name__ for kind in KINDS] == [
        "AcceptedLot",
        "AnalyzerRow",
        "AttemptRow",
        "AuditRow",
        "AuditSearch",
        "AwaitedRow",
        "CaptureRow",
        "CaptureState",
        "ContainerRow",
        "ControlledSpan",
        "CorrectionRow",
        "DayGroup",
        "DaySent",
        "DaySignature",
        "DayStrips",
        "DeliveryRow",
        "DestinationRow",
        "EventRow",
        "FlowRow",
        "FoundStrip",
        "GateEventRow",
        "GateReading",
        "GateRow",
        "IntakeRow",
        "LaneHead",
        "LookBackShown",
        "LotShown",
        "MonthSignature",
        "MuteRow",
        "NearNumber",
        "News",
        "Old",
        "OperatorShown",
        "ReadingFacts",
        "RefusedFileRow",
        "ResultDetail",
        "ResultRow",
        "SayRow",
        "ShiftShown",
        "StopCount",
        "StopRow",
        "StopSearch",
        "StripRow",
        "StripState",
        "TellingShown",
        "ToldStep",
        "Turns",
        "Verified",
    ]
