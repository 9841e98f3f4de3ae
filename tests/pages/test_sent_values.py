"""What went of each pad is read from the messages themselves: those written by hand in tests/render/golden, and those of the real renderers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.model import Format, Message, Priority, Quantity, UnitSystem
from bridge.pages.sent_values import codes_of, of_pad, sent_as
from bridge.render.forms import choose
from tests.pages.stocked import Stocked
from tests.render.results_for_tests import stat_result
from tests.render.tables_for_tests import GRADES_FIRST, NUMBERS_FIRST, SI_FIRST, terms
from tests.render.written import GOLDEN, golden, written


def message(payload: bytes, fmt: Format = Format.ORU_R01) -> Message:
    return Message(
        destination="records", format=fmt, control_id="M1", payload=payload, result_id="R1", version=1, lane="l",
        priority=Priority.ROUTINE,
    )  # fmt: skip


def test_a_message_written_by_hand_says_this() -> None:
    """HL7 2.5.1 chapter 2A: CWE.2 is the text, SN.1 the comparator; OBX-6.1 the unit. UCUM's unity is no unit to read."""
    assert sent_as(message(golden("abnormal_stat.hl7"))) == {
        "50555-2": "2+",
        "50558-6": "Positive",
        "53326-5": ">=1.035",
        "50560-2": "9.0 [pH]",
        "5768-7": "20 mg/dL",
        "29276-3": "1+",
    }
    assert sent_as(message(golden("corrected_latin1.hl7")))["59156-0"] == ">=55.5 mmol/L"


@pytest.mark.parametrize("name", ["text_grades", "local_grades", "snomed_grades"])
def test_a_grade_is_read_in_each_of_its_forms(name: str) -> None:
    """ST, the site's own code, SNOMED CT alone: the two formats say the same of each pad."""
    hl7 = sent_as(message(golden(f"{name}.hl7")))
    fhir = sent_as(message((GOLDEN / f"{name}.json").read_bytes(), Format.FHIR))
    assert fhir
    assert fhir.items() <= hl7.items()


@pytest.mark.parametrize("order", [GRADES_FIRST, NUMBERS_FIRST, SI_FIRST])
@pytest.mark.parametrize("fmt", [Format.ORU_R01, Format.FHIR])
def test_what_was_rendered_is_what_is_shown(order: tuple[UnitSystem, ...], fmt: Format) -> None:
    """A page that names another value or unit than the record got misleads whoever compares the two."""
    result = stat_result()
    said = sent_as(message(written(result, terms(fmt, order)), fmt))
    for pad in result.pads:
        form = choose(pad, order)
        if isinstance(form.value, Quantity):
            unit = "" if form.value.unit == "1" else f" {form.value.unit}"
            expected = f"{form.value.comparator}{form.value.value}{unit}"
        else:
            expected = form.value.text
        assert of_pad(pad, [("records", said)]) == ((("records",), expected),)


def test_nothing_is_said_of_a_message_that_is_not_there() -> None:
    """Not made yet, or purged."""
    assert sent_as(message(b"")) == {}
    assert sent_as(message(b"MSH|^~\\&|A\rOBX|1|ST|X\r")) == {}


def test_receivers_that_got_the_same_stand_together() -> None:
    """And a code that the ladder has twice is named once, with what it measures."""
    pad = stat_result().pads[0]
    code = pad.forms[0].code.code
    said = [("records", {code: "2+"}), ("chart", {code: "500 mg/dL"}), ("archive", {code: "2+"}), ("web", {})]
    assert of_pad(pad, said) == ((("records", "archive"), "2+"), (("chart",), "500 mg/dL"))
    twice = replace(pad, forms=(pad.forms[0], pad.forms[0], *pad.forms[1:]))
    assert codes_of(twice) == codes_of(pad)
    assert codes_of(pad)[0] == f"{code} (PrThr)"


def test_the_page_of_a_result_shows_what_went(shelf: Stocked) -> None:
    """Beside what was printed; a message that is still to be made says so."""
    result = shelf.coded(to=(Format.ORU_R01,), message=golden("abnormal_stat.hl7"))
    with shelf.serving() as visitor:
        page = visitor.page(f"/results/{result}")
        assert "Sent as" in page.text
        assert "2+" in page.text
    bare = shelf.coded(number="2")
    with shelf.serving() as visitor:
        assert "in no message" in visitor.page(f"/results/{bare}").text
