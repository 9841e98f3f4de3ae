"""A whole reading coded."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.coding import code
from bridge.errors import RejectError
from bridge.model import Flag, Priority, Property, ResultStatus
from tests.render.results_for_tests import ABNORMAL, ANALYZED_AT, NORMAL, checked
from tests.render.tables_for_tests import hand_made


def test_a_result_carries_what_was_checked_and_nothing_else() -> None:
    """Identity, patient, time, comments and printed texts travel unchanged; collection time stays unknown."""
    reading = checked(
        ABNORMAL,
        comments=("Specimen turbid", "second"),
        priority=Priority.STAT,
        patient_name="Silva Ana",
        texts={"specimen_id": "U-1"},
    )
    result = code(reading, hand_made(), result_id="TESTAR9", version=3)
    assert (result.result_id, result.version, result.status) == ("TESTAR9", 3, ResultStatus.FINAL)
    assert (result.profile, result.analyzer, result.number) == ("testing", "bench-2", "17")
    assert (result.patient_id, result.patient_name, result.specimen_id) == ("1002003", "Silva Ana", "U-1")
    assert (result.operator, result.strip_type, result.strip_lot, result.priority) == ("op7", "test-6", "L55", Priority.STAT)
    assert (result.analyzed_at, result.collected_at) == (ANALYZED_AT, None)
    assert result.comments == ("Specimen turbid", "second")
    assert (result.panel.code, result.tables_digest) == ("50556-0", "0" * 64)
    assert [pad.printed for pad in result.pads] == ["2+", "POSITIVE", ">=1.035", "9.0", "20", "1+"]
    assert [pad.flag for pad in result.pads] == [Flag.ABNORMAL, Flag.ABNORMAL, Flag.HIGH, Flag.HIGH, Flag.ABNORMAL, Flag.ABNORMAL]


def test_a_normal_strip_has_no_flag() -> None:
    """Nothing normal is flagged."""
    result = code(checked(NORMAL), hand_made(), result_id="TESTAR9", version=1)
    assert [pad.flag.value for pad in result.pads] == ["N"] * 6


def test_an_unmapped_pad_rejects_with_its_place() -> None:
    """Never silence: the row on the rejected-messages page points at the pad's bytes and says what is missing."""
    tables = hand_made()
    pads = {**tables.catalogue.pads, "nitrite": replace(tables.catalogue.pads["nitrite"], codes=())}
    without_code = replace(tables, catalogue=replace(tables.catalogue, pads=pads))
    with pytest.raises(RejectError) as found:
        code(checked(NORMAL), without_code, result_id="TESTAR9", version=1)
    assert found.value.rule == "code.unmapped"
    assert found.value.sentence == f"The pad nitrite cannot be coded: the catalogue has no code for {Property.ORDINAL.value}."
    assert (found.value.start, found.value.end) == (10, 15)


def test_a_pad_that_the_catalogue_or_strip_lacks_rejects() -> None:
    """A reading may be older than the tables."""
    tables = hand_made()
    pads = {name: pad for name, pad in tables.catalogue.pads.items() if name != "ph"}
    with pytest.raises(RejectError, match="The pad ph cannot be coded: the catalogue has no row for it"):
        code(checked(NORMAL), replace(tables, catalogue=replace(tables.catalogue, pads=pads)), result_id="TESTAR9", version=1)
    with pytest.raises(RejectError, match=r"code\.unmapped: The strip type 'test-6' is not in the tables"):
        code(checked(NORMAL), replace(tables, strip_types={}), result_id="TESTAR9", version=1)


def test_a_strip_without_a_time_is_rejected() -> None:
    """No time is made up: neither arrival nor now is when the analyzer read the strip. HZ-B02."""
    with pytest.raises(RejectError) as found:
        code(checked(NORMAL, analyzed_at=None), hand_made(), result_id="TESTAR9", version=1)
    assert found.value.rule == "code.undated"
