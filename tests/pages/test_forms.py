"""What the forms of all pages share."""

from __future__ import annotations

import pydantic
import pytest

from bridge.model import Actor
from bridge.pages.forms import LONGEST_FIELD, Field, typed_actor


def test_who_acts_is_who_the_form_says_and_nobody_has_checked_it() -> None:
    """Blanks around a name are no part of it; one of blanks alone is no name, which each desk refuses."""
    assert typed_actor(" Ana Reyes ") == Actor(name="Ana Reyes", verified="unverified")
    assert typed_actor("  ").name == ""


def test_a_field_that_is_longer_than_any_name_or_reason_is_refused() -> None:
    """Before anything is made of it."""
    field = pydantic.TypeAdapter[str](Field)
    assert field.validate_python("x" * LONGEST_FIELD) == "x" * LONGEST_FIELD
    with pytest.raises(pydantic.ValidationError):
        field.validate_python("x" * (LONGEST_FIELD + 1))
