"""Every sample of every plan: each (profile, strip type) of the shipped mappings and the hand-made one, in each order of forms."""

from __future__ import annotations

from functools import cache

from bridge.model import CodedResult, Format, UnitSystem
from bridge.render import compile_plan
from bridge.render.samples import samples
from bridge.tables.types import DestinationTerms
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import EVERY_STRIP, GRADES_FIRST, NUMBERS_FIRST, SI_FIRST, tables_of, terms

ORDERS = {"grades": GRADES_FIRST, "numbers": NUMBERS_FIRST, "si": SI_FIRST}
# (name of the order, profile, strip type)
EVERY_PLAN = tuple((order, profile, strip) for order in ORDERS for profile, strip in EVERY_STRIP)


def terms_for(fmt: Format, order: str) -> DestinationTerms:
    """Give the terms of a destination that prefers forms in this order."""
    wanted: tuple[UnitSystem, ...] = ORDERS[order]
    return terms(fmt, wanted)


@cache
def rendered(fmt: Format, order: str, profile: str, strip: str) -> tuple[tuple[CodedResult, bytes], ...]:
    """Render every sample of one plan. Control IDs depend on the sample alone, so that equal plans give equal bytes."""
    destination, tables = terms_for(fmt, order), tables_of(profile)
    plan = compile_plan(destination, profile, strip, tables)
    return tuple(
        (sample, plan.render(sample, control_id=f"TESTAM{number}", made_at=MADE_AT).payload)
        for number, sample in enumerate(samples(destination, profile, strip, tables))
    )
