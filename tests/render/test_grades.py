"""How grades are told: the codes of each system, and the loads that are refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.errors import TableError
from bridge.identity.check_digits import verhoeff_agrees
from bridge.model import Format, Grade, Quantity
from bridge.render import compile_plan
from bridge.render.forms import every_pad
from bridge.render.grades import grade_codes
from bridge.tables.types import DestinationTerms, GradeTable
from tests.render.every_sample import CONCEPTS, EVERY_PLAN, SYSTEMS, terms_for
from tests.render.results_for_tests import MADE_AT, stat_result
from tests.render.second_decoder import components
from tests.render.tables_for_tests import (
    LOCAL_GRADES,
    NUMBERS_FIRST,
    ORU,
    STRIP,
    counted_to_three,
    hand_made,
    shipped,
    tables_of,
)

TEXT, SNOMED = replace(ORU, grades=("text",)), replace(ORU, grades=("snomed", "loinc"))
LOCAL = replace(ORU, grades=("local",), grade_table=LOCAL_GRADES)


def named(terms: DestinationTerms, grade: Grade) -> list[tuple[str, str]]:
    """Give (system, code) of one glucose grade for a destination."""
    tables = counted_to_three()
    codes = grade_codes(terms, every_pad("testing", STRIP.name, tables), tables.catalogue)
    return [(code.system, code.code) for code in codes["glucose", grade]]


def test_the_destination_chooses_systems_and_their_order() -> None:
    """What the receiver keeps is the first code; the second is there for those who know the other system."""
    assert named(ORU, Grade.PLUS_2) == [("LN", "LA11842-4")]
    assert named(TEXT, Grade.PLUS_2) == []
    assert named(LOCAL, Grade.PLUS_2) == [("99QLB", "U2")]
    assert named(SNOMED, Grade.PLUS_2) == [("SCT", "441517005"), ("LN", "LA11842-4")]
    assert named(replace(SNOMED, grades=("loinc", "snomed")), Grade.TRACE) == [("LN", "LA11832-5"), ("SCT", "260405006")]
    assert named(SNOMED, Grade.PLUS_3) == [("SCT", "441521003")], "no LOINC answer for 3+ in the hand-made tables"


def test_no_destination_is_told_snomed_unless_it_asks() -> None:
    """Off by default: a receiver without the terminology, or a country without a licence for more, is not sent it unasked."""
    assert ORU.grades == ("loinc",)
    tables = shipped()
    for profile, strip in {(profile, strip) for _, profile, strip in EVERY_PLAN if profile != "testing"}:
        codes = grade_codes(ORU, every_pad(profile, strip, tables), tables.catalogue)
        assert {code.system for each in codes.values() for code in each} - {"L"} == {"LN"}  # L: our own codes of words


def test_a_plus_counts_against_its_own_ladder() -> None:
    """2+ of a ladder that ends at 3+ is another concept than 2+ of one that ends at 4+: the names of SNOMED CT say so."""
    tables = shipped()
    codes = grade_codes(SNOMED, every_pad("tern", "plover-12", tables), tables.catalogue)
    assert codes["protein", Grade.PLUS_2][0].code == CONCEPTS["2+ of 4"]["code"] == "260348001"
    assert codes["blood", Grade.PLUS_2][0].code == CONCEPTS["2+ of 3"]["code"] == "441517005"


def test_every_concept_has_its_check_digit() -> None:
    """The Verhoeff digit that conformance demands of a SNOMED CT code agrees with every published one that we hold, and with no neighbour."""
    for row in CONCEPTS.values():
        digits = row["code"]
        assert [verhoeff_agrees(f"{digits[:-1]}{last}") for last in "0123456789"] == [last == digits[-1] for last in "0123456789"]


@pytest.mark.parametrize("form", SYSTEMS)
def test_every_grade_of_a_ladder_is_told_apart(form: str) -> None:
    """A receiver finds the step again: no two grades of a pad have the same code or text, on any shipped strip."""
    for profile, strip in {(profile, strip) for order, profile, strip in EVERY_PLAN if order == form}:
        tables = tables_of(profile)
        pads = every_pad(profile, strip, tables)
        codes = grade_codes(terms_for(Format.ORU_R01, form), pads, tables.catalogue)
        for name, every in pads.items():
            values = {form.value for pad in every for form in pad.forms if not isinstance(form.value, Quantity)}
            said = {codes[name, value.key] or value.text for value in values}
            assert len(said) == len(values)


# --- refused at load


def test_a_grade_that_the_sites_table_lacks_is_refused() -> None:
    """Found when the service starts, not when the first such strip comes."""
    short = GradeTable(
        uri=LOCAL_GRADES.uri, codes={grade: code for grade, code in LOCAL_GRADES.codes.items() if grade != "trace"}
    )
    with pytest.raises(TableError) as found:
        compile_plan(replace(LOCAL, grade_table=short), "testing", STRIP.name, hand_made())
    assert found.value.sentence == (
        "ward-record takes the site's own codes of grades, but its grade_table has none for 'trace', which glucose may have."
    )
    assert (found.value.path, found.value.remedy) == (("grade_table", "codes"), 'Add "trace": {code: ..., text: ...}.')
    with pytest.raises(TableError, match="its grade_table has none for 'negative'"):
        compile_plan(replace(LOCAL, grade_table=None), "testing", STRIP.name, hand_made())


def test_a_ladder_that_no_concept_counts_is_refused() -> None:
    """The hand-made glucose ladder ends at 2+: "1+ out of 3+" would claim a step that the strip does not have."""
    tables = replace(hand_made(), catalogue=replace(hand_made().catalogue, snomed=shipped().catalogue.snomed))
    with pytest.raises(TableError) as found:
        compile_plan(SNOMED, "testing", STRIP.name, tables)
    assert found.value.sentence == (
        "ward-record takes grades as SNOMED CT concepts, but catalogue.yaml has none for '1+' on a ladder that ends at '2+', as glucose has it."
    )
    assert found.value.path == ("grades",)
    with pytest.raises(TableError, match=r"but catalogue\.yaml has none for 'negative', as glucose has it"):
        compile_plan(SNOMED, "testing", STRIP.name, hand_made())


@pytest.mark.parametrize("name", ["Glucose [Mass/volume] in Urine by Test strip", "Glucose"])
def test_a_text_needs_a_code_of_a_presence(name: str) -> None:
    """LOINC: only the ordinal scale of a [Presence] term takes such a text; a name that does not say so is not guessed at."""
    made = hand_made()
    glucose = made.catalogue.pads["glucose"]
    codes = tuple(replace(row, code=replace(row.code, text=name)) if row.code.code == "50555-2" else row for row in glucose.codes)
    catalogue = replace(made.catalogue, pads={**made.catalogue.pads, "glucose": replace(glucose, codes=codes)})
    with pytest.raises(TableError) as found:
        compile_plan(TEXT, "testing", STRIP.name, replace(made, catalogue=catalogue))
    assert found.value.sentence == (
        f"ward-record takes grades as text, but 50555-2, the code for a grade of glucose, is called {name!r}, "
        "and only a [Presence] code may carry a text."
    )
    assert found.value.path == ("grades",)


# --- what a form of grades leaves alone


def test_numbers_are_sent_as_before() -> None:
    """The form of grades says nothing about numbers: a destination that prefers them gets NM and SN, and a grade where there is no number."""
    plan = compile_plan(replace(TEXT, value_forms=NUMBERS_FIRST), "testing", STRIP.name, hand_made())
    payload = plan.render(stat_result(), control_id="TESTAM1", made_at=MADE_AT).payload
    assert [obx[2][0] for obx in components(payload, "OBX")] == ["SN", "ST", "SN", "NM", "NM", "NM"]
