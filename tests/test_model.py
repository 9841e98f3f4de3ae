"""The values that pass from stage to stage: frozen, named, without a dict."""

from __future__ import annotations

import dataclasses
import inspect
from datetime import UTC, datetime

import pytest

from bridge import model
from bridge.model import Capture, Way
from bridge.tables import types

VALUES = sorted(
    {
        value
        for module in (model, types)
        for value in vars(module).values()
        if dataclasses.is_dataclass(value) and inspect.isclass(value)
    },
    key=lambda value: value.__name__,
)


@pytest.mark.parametrize("value", VALUES)
def test_every_value_is_frozen_slotted_and_named(value: type) -> None:
    """Nobody edits a value on its way, and no field can be given by position or be invented."""
    assert value.__dataclass_params__.frozen  # type: ignore[attr-defined]  # every dataclass has it
    assert [field.name for field in dataclasses.fields(value) if not field.kw_only] == []
    assert "__slots__" in vars(value)
    assert value.__dictoffset__ == 0


def test_the_digest_of_a_capture_is_that_of_its_bytes_alone() -> None:
    """SHA-256 of "abc" is the worked example of FIPS 180-4 (NIST's example values); the way it came changes nothing."""
    one = Capture(source="a", way=Way.FOLDER, arrived_at=datetime(2026, 1, 1, tzinfo=UTC), payload=b"abc", name="x")
    two = Capture(source="b", way=Way.SERIAL, arrived_at=datetime(2026, 1, 2, tzinfo=UTC), payload=b"abc", torn=True)
    assert one.digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert two.digest == one.digest
