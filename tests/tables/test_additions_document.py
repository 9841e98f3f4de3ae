"""The shape of the file of additions."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from bridge.settings import Document, shipped_mappings
from bridge.tables.additions_document import AdditionsDocument


def test_the_shipped_file_has_its_shape_and_says_where_it_is_from() -> None:
    """Words of the catalogue, types of HL7 table 0487."""
    document = Document(shipped_mappings() / "additions.yaml").shaped(AdditionsDocument)
    assert [row.code for row in document.specimen_type] == ["UR", "URC", "URT"]
    assert all(row.source for row in document.specimen_type)


@pytest.mark.parametrize("key", ["colour", "clarity", "specimen_type", "source"])
def test_nothing_of_it_is_left_out(key: str) -> None:
    """A form without one of its lists would ask a question without answers."""
    document = Document(shipped_mappings() / "additions.yaml").shaped(AdditionsDocument).model_dump()
    del document[key]
    with pytest.raises(ValidationError, match=key):
        AdditionsDocument.model_validate(document)
