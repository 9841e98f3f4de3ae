"""Destinations of invented sites that use the options of FHIR, and the results for them."""

from __future__ import annotations

from dataclasses import replace

from bridge.model import CodedResult, Format
from bridge.tables.types import DestinationTerms, Laboratory, Orders, Pointing
from tests.render.results_for_tests import normal_result, stat_result
from tests.render.tables_for_tests import GRADES_FIRST, NUMBERS_FIRST, SI_FIRST, terms

REEDBANK = Laboratory(
    name="Reedbank Laboratory",
    number="LAB-0815",
    authority="urn:oid:2.999.4",
    street="Mill Lane 3",
    city="Reedbank",
    state="",
    postal_code="4711",
    country="PT",
    director="",
)
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"
# US Core's shape; patient and order found by the server; the site claims profiles and has a text of its own for the unit 1
US = replace(
    terms(Format.FHIR_US),
    patient_pointing=Pointing.CONDITIONAL,
    order_pointing=Pointing.CONDITIONAL,
    order_system="urn:oid:2.999.5",
    unit_texts={"1": "rel. density"},
    message_profile=f"Observation={US_CORE}observation-lab|9.0.0 DiagnosticReport={US_CORE}diagnosticreport-lab",
)
# HL7 Europe's shape; everything by identifier; the laboratory answers for the results
EU = replace(terms(Format.FHIR_EU), laboratory=REEDBANK)
# Plain R4; each pad an order of its own, addresses known, no analyzer and no operator
SINGLE = replace(
    terms(Format.FHIR),
    patient_pointing=Pointing.LITERAL,
    order_pointing=Pointing.LITERAL,
    orders=Orders.SINGLE,
    equipment=False,
    operator=False,
)
# name of the golden file -> destination
SITES: dict[str, DestinationTerms] = {"us_conditional": US, "eu_laboratory": EU, "single_orders": SINGLE}


def ordered(name: str) -> CodedResult:
    """Give the result that golden/NAME.json is of, with the order number that was printed."""
    stat, normal = stat_result(), normal_result()
    return {
        "us_conditional": replace(stat, pads=stat.pads[1:3], order_number="ORD 47/11", comments=("# dark *and* turbid",)),
        "eu_laboratory": replace(stat, pads=stat.pads[1:2], order_number="ORD 47/11"),
        "single_orders": replace(normal, pads=(normal.pads[0], normal.pads[2]), order_number="ORD-4711"),
    }[name]


ORDERS_OF_FORMS = {"grades": GRADES_FIRST, "numbers": NUMBERS_FIRST, "si": SI_FIRST}
