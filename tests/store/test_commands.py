"""Commands are frozen values, and each has exactly one function that does it."""

from __future__ import annotations

import dataclasses
from typing import get_args

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.store import (
    account_commands,
    addition_commands,
    audit_commands,
    commands,
    digest_commands,
    envelope_commands,
    life_commands,
    quick_commands,
    stop_commands,
    today_commands,
)
from bridge.store.addition_commands import AddedWrite
from bridge.store.apply import _APPLY
from bridge.store.commands import (
    CloseStop,
    Command,
    GateWrite,
    HeldLeases,
    KeepCapture,
    Lease,
    NewDelivery,
    NewSay,
    NotedAnswer,
    RecordedCorrection,
    RecordedOutcome,
    ShiftWrite,
    Sight,
    TellWrite,
)
from tests.store import strips as s

NOT_COMMANDS = {
    NewDelivery,
    NewSay,
    Sight,
    GateWrite,
    ShiftWrite,
    TellWrite,
    AddedWrite,
    RecordedOutcome,
    RecordedCorrection,
    NotedAnswer,
    Lease,
    HeldLeases,
}  # parts of some, and answers of some


def test_every_command_is_done_by_one_function() -> None:
    """A command without a function would be refused at run time; a function without a command is dead."""
    declared = {
        kind
        for module in (
            account_commands,
            addition_commands,
            audit_commands,
            commands,
            envelope_commands,
            digest_commands,
            life_commands,
            quick_commands,
            stop_commands,
            today_commands,
        )
        for kind in vars(module).values()
        if dataclasses.is_dataclass(kind) and kind.__module__ == module.__name__
    }
    assert set(get_args(Command)) == declared - NOT_COMMANDS
    assert set(_APPLY) == set(get_args(Command))
    assert len({function.__name__ for function in _APPLY.values()}) == len(_APPLY)


def test_a_command_cannot_be_changed_once_submitted() -> None:
    """It waits in a queue while its sender goes on."""
    command = KeepCapture(capture=s.capture(), analyzer="a", profile="p")
    with pytest.raises(dataclasses.FrozenInstanceError):
        command.analyzer = "b"  # type: ignore[misc]  # that is what must fail
    assert command.origin == ""
    assert command == KeepCapture(capture=s.capture(), analyzer="a", profile="p")


def test_a_decision_that_names_nothing_decides_nothing() -> None:
    """No patient ID and no rule is accepted unless the person named it."""
    command = CloseStop(stop_id=1, end=StopEnd.READ_AGAIN, actor=s.BO, reason="r", at=s.NOW)
    assert (command.patient_id, command.accept_rules) == ("", frozenset())
