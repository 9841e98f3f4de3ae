"""Message plans: compiled once, the same bytes for ever."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from bridge.errors import RejectError, TableError
from bridge.model import Format, Grade, Priority, Purpose
from bridge.render import compile_plan, lane_of, takes
from bridge.tables.types import DestinationTerms, Orders
from tests.render.results_for_tests import MADE_AT, normal_result, stat_result
from tests.render.tables_for_tests import FHIR, LABORATORY, LOCAL_GRADES, NUMBERS_FIRST, ORU, PROVIDER, STRIP, hand_made

TERMS = pytest.mark.parametrize("terms", [ORU, FHIR], ids=["oru", "fhir"])


@TERMS
def test_a_message_says_where_it_belongs(terms: DestinationTerms) -> None:
    """The queue reads lane and priority, the client format and control ID; nobody reads the payload for them."""
    plan = compile_plan(terms, "testing", STRIP.name, hand_made())
    message = plan.render(stat_result(), control_id="TESTAM1", made_at=MADE_AT)
    assert (message.destination, message.format, message.control_id) == ("ward-record", terms.format, "TESTAM1")
    assert (message.result_id, message.version, message.priority) == ("TESTAR42", 1, Priority.STAT)
    assert message.lane == "patient:1002003"


@TERMS
def test_the_same_result_gives_the_same_bytes(terms: DestinationTerms) -> None:
    """A plan compiled after a restart writes what the first one wrote."""
    first, second = (compile_plan(terms, "testing", STRIP.name, hand_made()) for _ in range(2))
    assert first.digest == second.digest
    one, two = (plan.render(stat_result(), control_id="TESTAM1", made_at=MADE_AT).payload for plan in (first, second))
    assert one == two


def test_a_lane_is_the_patient_else_the_specimen_else_the_analyzer() -> None:
    """ARCHITECTURE rule 5."""
    result = stat_result()
    assert lane_of(result) == "patient:1002003"
    assert lane_of(replace(result, patient_id="")) == "specimen:U-4711"
    assert lane_of(replace(result, patient_id="", specimen_id="")) == "analyzer:bench-2"
    for purpose in set(Purpose) - {Purpose.PATIENT}:  # whatever it carries: a control must not wait behind a patient's result
        assert lane_of(replace(result, purpose=purpose)) == "analyzer:bench-2"


def test_only_who_asks_for_controls_takes_them() -> None:
    """A patient's result goes to every destination; anything else only where the terms say so."""
    asking = replace(ORU, format=Format.OUL_R22, non_patient=True)
    for purpose in Purpose:
        result = replace(stat_result(), purpose=purpose)
        assert takes(asking, result) is True
        for other in (ORU, FHIR, replace(asking, non_patient=False), replace(asking, format=Format.ORU_R01)):
            assert takes(other, result) is (purpose is Purpose.PATIENT)


def test_the_digest_follows_everything_that_shapes_a_byte() -> None:
    """A plan's stored pass must not be taken for another plan's."""
    tables = hand_made()
    answers = {**tables.catalogue.answers, Grade.NEGATIVE: replace(tables.catalogue.answers[Grade.NEGATIVE], text="none")}
    panel = replace(tables.catalogue.panel, text="another")
    changed = [
        (ORU, tables),
        (replace(ORU, format=Format.FHIR), tables),
        (replace(ORU, value_forms=NUMBERS_FIRST), tables),
        (replace(ORU, charset="ASCII"), tables),
        (replace(ORU, local_codes=False), tables),
        (replace(ORU, observed_at="empty"), tables),
        (replace(ORU, zone=ZoneInfo("UTC")), tables),
        (ORU, replace(tables, catalogue=replace(tables.catalogue, answers=answers))),
        (ORU, replace(tables, catalogue=replace(tables.catalogue, panel=panel))),
        *((replace(ORU, format=fmt), tables) for fmt in (Format.ORU_R01_US, Format.ORU_R30, Format.OUL_R22)),
        (replace(ORU, equipment=False), tables),
        (replace(ORU, operator=False), tables),
        (replace(ORU, unit_texts={"mg/dL": "mg per dl"}), tables),
        (replace(ORU, orders=Orders.SINGLE), tables),
        (replace(ORU, order_authority="WARDS"), tables),
        (replace(ORU, message_profile="Agreed"), tables),
        (replace(ORU, laboratory=LABORATORY), tables),
        (replace(ORU, provider=PROVIDER), tables),
        (replace(ORU, non_patient=True), tables),
        (replace(ORU, grades=("text",)), tables),
        (replace(ORU, grades=("local", "loinc"), grade_table=LOCAL_GRADES), tables),
        (replace(ORU, grades=("local", "loinc"), grade_table=replace(LOCAL_GRADES, uri="urn:oid:2.999.8")), tables),
    ]
    digests = [compile_plan(terms, "testing", STRIP.name, each).digest for terms, each in changed]
    assert len(set(digests)) == len(digests)
    assert all(len(digest) == 64 for digest in digests)


def test_the_digest_does_not_follow_what_shapes_no_byte() -> None:
    """A new deny list must not send every plan to the oracles again."""
    tables = hand_made()
    other = replace(tables, digest="1" * 64, policy=replace(tables.policy, oldest_days=1))
    assert compile_plan(ORU, "testing", STRIP.name, other).digest == compile_plan(ORU, "testing", STRIP.name, tables).digest


@TERMS
def test_a_value_that_the_plan_was_not_checked_with_is_rejected(terms: DestinationTerms) -> None:
    """A result coded by other tables never leaves through a plan whose checks it did not see."""
    plan = compile_plan(terms, "testing", STRIP.name, hand_made())
    result = normal_result()
    strange = replace(
        result.pads[0], forms=(replace(result.pads[0].forms[0], code=replace(result.pads[0].forms[0].code, code="1-8")),)
    )
    with pytest.raises(RejectError) as found:
        plan.render(replace(result, pads=(strange,)), control_id="TESTAM1", made_at=MADE_AT)
    assert found.value.rule == "render.unplanned"


def test_an_unknown_strip_type_has_no_plan() -> None:
    """The destination stays shut, with this reason."""
    with pytest.raises(TableError, match="The tables have no 'none-3'"):
        compile_plan(ORU, "testing", "none-3", hand_made())
