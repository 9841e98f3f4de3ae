"""The shape of the file of controls, against an independent validator of its schema."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError

from bridge.tables.controls_document import ControlsDocument, GateRow
from tests.bench.controls_for_tests import document


def test_a_whole_document_follows_the_schema() -> None:
    """The jsonschema library and the program that reads the file say the same of it (draft 2020-12)."""
    schema = ControlsDocument.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(document())) == []
    assert ControlsDocument.model_validate({}) == ControlsDocument()


@pytest.mark.parametrize(
    ("gate", "words"),
    [
        ({"day_starts": "6:00"}, "String should match pattern"),
        ({"day_starts": "24:00"}, "String should match pattern"),
        ({"day_starts": 360}, 'write a time of day in quotes: "06:00"'),  # what YAML makes of 6:00 without quotes
        ({"levels": []}, "at least 1 item"),
        ({"levels": [1]}, "write this in quotes"),
        ({"shut": "block"}, "'note', 'wait' or 'hold'"),
        ({"every_strips": 0}, "greater than or equal to 1"),
        ({"grace_minutes": 481}, "less than or equal to 480"),
        ({"one_step_either_side": {"source": "our procedure 12"}}, "signed\n  Field required"),
        ({"due": ["week"]}, "'day', 'container' or 'service'"),
    ],
)
def test_a_gate_that_is_not_meant_so_is_refused(gate: dict[str, Any], words: str) -> None:
    """What opens the way of patients' results is not guessed from a slip of the pen."""
    with pytest.raises(ValidationError) as caught:
        GateRow.model_validate({"levels": ["1"], "shut": "hold", **gate})
    assert words in str(caught.value)
