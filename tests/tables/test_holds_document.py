"""The shape of the file of holds: what it refuses before anything is compiled."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from bridge.tables.holds_document import HoldRow
from tests.tables.test_holds import rule


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ({"severity": "reject"}, "severity"),
        ({"severity": "off"}, "severity"),
        ({"id": "Plausible.x"}, "id"),
        ({"id": "patient.missing"}, "id"),  # a rule of Padpost's own is not declared anew
        ({"release": {"persons": 3, "bulk": False}}, "release"),
        ({"when": {"like_previous": {"abnormal_pads": 2}}}, "when"),  # two pads are alike by chance
        ({"when": {"like_control": {"abnormal_pads": 3, "steps": 2}}}, "when"),
        ({"unknown": 1}, "unknown"),
        ({"source": ""}, "source"),
    ],
)
def test_a_row_of_another_shape_is_refused(more: dict[str, Any], key: str) -> None:
    """Every row has its source; a hold is the strongest that can be declared."""
    with pytest.raises(ValidationError) as caught:
        HoldRow.model_validate(rule(**more))
    assert {str(each["loc"][0]) for each in caught.value.errors()} == {key}
