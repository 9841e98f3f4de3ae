"""The shape of the file of containers, against an independent validator of its schema."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError

from bridge.tables.containers_document import ContainersDocument
from tests.bench.containers_for_tests import document


def test_a_whole_document_follows_the_schema() -> None:
    """The jsonschema library and the program that reads the file say the same of it (draft 2020-12)."""
    schema = ContainersDocument.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(document())) == []
    assert ContainersDocument.model_validate({}) == ContainersDocument()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"findings": {"expired": "reject"}}, "'note' or 'hold'"),
        ({"findings": {"old": "note"}}, "Extra inputs are not permitted"),
        ({"open_days": [{"strip_type": "quill-10", "days": 0, "source": "x", "signed": "y"}]}, "greater than or equal to 1"),
        ({"open_days": [{"strip_type": "quill-10", "days": 90, "source": "x"}]}, "signed\n  Field required"),
        ({"left_open": {**document()["left_open"], "share": 0.05}}, 'write a share in quotes: "0.05"'),
        ({"left_open": {**document()["left_open"], "share": "5"}}, "String should match pattern"),
        ({"left_open": {**document()["left_open"], "least": 1}}, "greater than or equal to 2"),
    ],
)
def test_what_is_not_meant_so_is_refused(more: dict[str, Any], words: str) -> None:
    """What lets strips go, or computes an alarm, is not guessed from a slip of the pen, and does not stand unsigned."""
    with pytest.raises(ValidationError) as caught:
        ContainersDocument.model_validate(document(**more))
    assert words in str(caught.value)
