"""The shapes of the mapping files: what they refuse. Their published schemas: test_schemas.py."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from bridge.tables.documents import StepRow


@pytest.mark.parametrize("value", [1.01, 60, True])
def test_a_bare_number_is_refused(value: object) -> None:
    """YAML turns 1.010 into 1.01: a number without quotes has lost what was printed, so it is refused."""
    with pytest.raises(ValidationError, match="write this in quotes"):
        StepRow.model_validate({"conventional": value, "abnormal": False})


@pytest.mark.parametrize("value", ["1.010", ">=1000", "<=5", "<0.1", ">12"])
def test_a_quoted_number_stays_as_written(value: str) -> None:
    """The comparator and every zero stay."""
    assert StepRow.model_validate({"conventional": value, "abnormal": False}).conventional == value


@pytest.mark.parametrize("value", ["1,010", "1e3", "=5", "-1", "", "10 mg/dL", "nan", "1.", "٣"])
def test_what_is_no_number_is_refused(value: str) -> None:
    """A decimal comma, an exponent, a unit or a foreign digit in a ladder is a slip of the pen, never a number."""
    with pytest.raises(ValidationError, match="a number is written as"):
        StepRow.model_validate({"conventional": value, "abnormal": False})


def test_unknown_keys_are_refused() -> None:
    """A misspelt key would silently switch something off."""
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        StepRow.model_validate({"conventional": "5", "abnormal": False, "abnorml": True})
