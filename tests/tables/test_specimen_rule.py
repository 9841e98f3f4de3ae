"""How old a specimen may be, by strip type."""

from __future__ import annotations

from datetime import timedelta

from bridge.tables.specimen_rule import SpecimenRule


def test_a_strip_type_may_have_a_limit_of_its_own() -> None:
    """All others, and a strip of no known type, have the one of all."""
    rule = SpecimenRule(limit_minutes=120, by_strip_type={"quill-10": 60})
    assert [rule.limit(name) for name in ("quill-10", "sedge-5", "")] == [timedelta(hours=each) for each in (1, 2, 2)]
