"""Tables of a site where the analyzer bench-b is given colour, clarity and specimen type by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

from bridge.added import Addable, Addition
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.addition_table import AdditionTerms
from bridge.tables.types import Tables
from tests.tables.shipped_tables import POLICY, ZONE

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TERMS = AdditionTerms(asks=tuple(Addable), wait_minutes=10, stat_minutes=0, holds=False)
YELLOW = Addition(what=Addable.COLOUR, word="yellow", by="Ana", at=NOW)
HAZY = Addition(what=Addable.CLARITY, word="hazy", by="Ana", at=NOW)
CATHETER = Addition(what=Addable.SPECIMEN_TYPE, word="catheter", by="Ben", at=NOW)


@cache
def asking(terms: AdditionTerms = TERMS) -> Tables:
    """Give the shipped tables with these terms for bench-b."""
    return load_tables(shipped_mappings(), None, replace(POLICY, additions={"bench-b": terms}), zone=ZONE)
