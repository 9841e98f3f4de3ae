"""Every sample of every plan: each (profile, strip type) of the shipped mappings and the hand-made one, in each order and form of values."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from bridge.model import CodedGrade, CodedPad, CodedResult, CodedWord, Format, ReadBy, UnitSystem
from bridge.render import compile_plan
from bridge.render.samples import samples
from bridge.tables.types import DestinationTerms
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import EVERY_STRIP, GRADES_FIRST, LOCAL_GRADES, NUMBERS_FIRST, SI_FIRST, tables_of, terms
from tests.tables.shipped_tables import rows

ORDERS = {
    "grades": GRADES_FIRST,
    "numbers": NUMBERS_FIRST,
    "si": SI_FIRST,
    "text": GRADES_FIRST,
    "local": GRADES_FIRST,
    "snomed": GRADES_FIRST,
}
SYSTEMS = {"text": ("text",), "local": ("local", "loinc"), "snomed": ("snomed",)}
# (name of the order, profile, strip type); the hand-made ladders end at 2+, for which SNOMED CT has no concept (test_grades.py)
EVERY_PLAN = tuple(
    (order, profile, strip) for order in ORDERS for profile, strip in EVERY_STRIP if (order, profile) != ("snomed", "testing")
)
# HL7's name of a code system -> FHIR's (R4, terminologies-systems); the others are the test site's own and ours
URIS = {"LN": "http://loinc.org", "SCT": "http://snomed.info/sct", "99QLB": "urn:oid:2.999.7", "L": "urn:padpost:local"}
# the source's rows "2+ of 3" and "negative" (tests/tables/data/README.md)
CONCEPTS = {row["grade"]: row for row in rows("ordinal_codes.csv") if row["system"] == URIS["SCT"]}


def terms_for(fmt: Format, order: str) -> DestinationTerms:
    """Give the terms of a destination that prefers forms in this order, or takes grades in this form."""
    wanted: tuple[UnitSystem, ...] = ORDERS[order]
    made = replace(terms(fmt, wanted), grades=SYSTEMS.get(order, ("loinc",)))
    return replace(made, grade_table=LOCAL_GRADES) if order == "local" else made


def told(order: str, profile: str, strip: str, pad: CodedPad, *, value: CodedGrade | CodedWord) -> list[tuple[str, str, str]]:
    """Give (HL7 system, code, text) of each code that a receiver should be told, worked out apart from the renderer."""
    if isinstance(value, CodedWord):
        return [("L", value.code.code, value.code.text)]  # every destination of these tests takes local codes
    answer = [("LN", value.answer.code, value.answer.text)] if value.answer else []
    if order == "local":
        local = LOCAL_GRADES.codes[value.grade]
        return [("99QLB", local.code, local.text), *answer]
    if order == "snomed":
        ladder = next(each.ladder for each in tables_of(profile).strip_types[strip].pads if each.pad == pad.pad)
        tops = [step.grade.value[0] for step in ladder if step.grade and step.grade.value.endswith("+")]
        row = CONCEPTS[f"{value.grade.value} of {max(tops)}" if value.grade.value.endswith("+") else value.grade.value]
        return [("SCT", row["code"], row["display"])]
    return answer


def stands_before(pad: CodedPad) -> str:
    """Give what a message says before a pad's printed text, worked out apart from the renderer."""
    if pad.computed_from:
        return "Computed by Padpost from the numbers that the strip's scales declare for: "
    return "As written for the strip read by eye: " if pad.read_by is ReadBy.EYE else "As printed by the analyzer: "


@cache
def rendered(fmt: Format, order: str, profile: str, strip: str) -> tuple[tuple[CodedResult, bytes], ...]:
    """Render every sample of one plan. Control IDs depend on the sample alone, so that equal plans give equal bytes."""
    destination, tables = terms_for(fmt, order), tables_of(profile)
    plan = compile_plan(destination, profile, strip, tables)
    return tuple(
        (sample, plan.render(sample, control_id=f"TESTAM{number}", made_at=MADE_AT).payload)
        for number, sample in enumerate(samples(destination, profile, strip, tables))
    )
