"""Every sample of every HL7 structure through a second decoder, against the coded result.

Outside the project: PyPI ``hl7`` (second_decoder.py) reads what we wrote; HL7 2.5.1 says where each thing belongs.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

import pytest

from bridge.model import CodedPad, CodedResult, Format, Purpose, Quantity, UnitSystem
from tests.render.every_sample import EVERY_PLAN, ORDERS, rendered, stands_before, told
from tests.render.results_for_tests import MADE_AT
from tests.render.second_decoder import components, decoded
from tests.render.tables_for_tests import HL7, ZONE

STRUCTURES = {Format.ORU_R01: ["ORU", "R01", "ORU_R01"], Format.ORU_R01_US: ["ORU", "R01", "ORU_R01"],
              Format.ORU_R30: ["ORU", "R30", "ORU_R30"], Format.OUL_R22: ["OUL", "R22", "OUL_R22"]}  # fmt: skip
ROLES = {Purpose.PATIENT: "P", Purpose.CONTROL: "Q", Purpose.PROFICIENCY: "F", Purpose.COMPARISON: "R", Purpose.TRAINING: "O"}
PANELS = defaultdict(lambda: "50556-0", heron="24357-6")  # heron's strips are read by eye, and 50556-0 says Automated test strip
ORDERER = ["4711", "Heron", "Ines", "", "", "", "", "", "STAFF"]


def expected_value(pad: CodedPad, plan: tuple[str, str, str]) -> tuple[str, list[str], list[str], list[str]]:
    """Give OBX-2, OBX-3's first triplet, OBX-5 and OBX-6 as HL7 chapter 7 has them, from the coded pad alone."""
    form = next(form for system in (*ORDERS[plan[0]], *UnitSystem) for form in pad.forms if form.system is system)
    code = [form.code.code, form.code.text, form.code.system]
    if not isinstance(form.value, Quantity):
        if plan[0] == "text":
            return "ST", code, [form.value.text], [""]
        triplets = [[code, text, system] for system, code, text in told(*plan, pad, value=form.value)]
        first, second = [*(triplets or [["", form.value.text, ""]]), ["", "", ""]][:2]
        return "CWE", code, [*first, *second, "", "", pad.printed], [""]
    digits, unit = f"{form.value.value:f}", [form.value.unit, form.value.unit, "UCUM"]
    return ("SN", code, [form.value.comparator, digits], unit) if form.value.comparator else ("NM", code, [digits], unit)


def stamp(moment: datetime | None) -> str:
    """Give a moment as HL7 writes it in the zone of the test destination."""
    return moment.astimezone(ZONE).strftime("%Y%m%d%H%M%S%z") if moment else ""


# how a grade is told is the shared OBX's matter: every form as ORU^R01, the other structures as grades
EVERY = pytest.mark.parametrize(
    ("fmt", "order", "profile", "strip"),
    [(fmt, *plan) for fmt in HL7 for plan in EVERY_PLAN if fmt is Format.ORU_R01 or plan[0] == "grades"],
)


@EVERY
def test_a_second_decoder_reads_the_coded_result_back(fmt: Format, order: str, profile: str, strip: str) -> None:
    """Every sample of every strip type in every structure: header, patient, order, specimen and each value say what the coded result holds."""
    is_us = fmt is Format.ORU_R01_US
    for number, (result, payload) in enumerate(rendered(fmt, order, profile, strip)):
        (msh,) = components(payload, "MSH")
        assert msh[3:7] == [["PADPOST"], ["LAB7"], ["RECORD"], ["WARD"]]
        assert (msh[7], msh[9], msh[10]) == ([stamp(MADE_AT)], STRUCTURES[fmt], [f"TESTAM{number}"])
        assert (msh[11], msh[12], msh[18]) == (["P"], ["2.5.1"], ["UNICODE UTF-8"])
        assert msh[15:17] == ([["NE"], ["AL"]] if is_us else [[""], [""]])
        assert msh[21:] == ([["TestShape", "", "2.999.5", "ISO"]] if is_us else [])
        assert_patient(fmt, payload, result)
        assert_order(fmt, payload, result)
        assert_specimen(fmt, payload, result)
        values = components(payload, "OBX")
        assert len(values) == len(result.pads)
        for place, (obx, pad) in enumerate(zip(values, result.pads, strict=True), 1):
            assert (obx[2][0], obx[3][:3], obx[5], obx[6]) == expected_value(pad, (order, profile, strip))
            assert (obx[1], obx[3][3:]) == ([str(place)], [pad.local.code, pad.local.text, pad.local.system])
            assert (obx[8], obx[11]) == ([pad.flag.value], [result.status.value])
            assert (obx[16], obx[18]) == ([result.operator], [result.analyzer])
            assert (obx[14], obx[19]) == ([stamp(result.collected_at)], [stamp(result.analyzed_at)])
            assert ([obx[23][0], obx[24][2], obx[29]] if is_us else obx[20:]) == (
                ["Test Bench", "Ford", ["RSLT"]] if is_us else []
            )


def assert_patient(fmt: Format, payload: bytes, result: CodedResult) -> None:
    """Find PID as told, none in a message of no patient."""
    patients = components(payload, "PID")
    assert len(patients) == (result.purpose is Purpose.PATIENT)
    for each in patients:
        pid = [*each, *[[""]] * (9 - len(each))]
        assert pid[3] == [result.patient_id, "", "", "CLINIC", "MR"]
        assert pid[5] == [result.patient_name, "", "", "", "", "", "U"]
        assert pid[7] == [result.born.isoformat().replace("-", "") if result.born else ""]
        assert pid[8] == [result.sex.value if result.sex else "U" if fmt is Format.ORU_R01_US else ""]


def assert_order(fmt: Format, payload: bytes, result: CodedResult) -> None:
    """Find one order, of both sides' numbers, with the panel's code, the times and who ordered."""
    (orc,), (obr,) = components(payload, "ORC"), components(payload, "OBR")
    names = [str(segment[0]) for segment in decoded(payload)]
    assert (names.index("OBR") < names.index("ORC")) is (fmt is Format.OUL_R22)
    assert orc[1] == ["NW" if fmt is Format.ORU_R30 else "RE"]
    assert obr[2:4] == orc[2:4] == [[result.order_number], [result.result_id, "PADPOST"]]
    assert (obr[4], obr[22], obr[25]) == (
        [PANELS[result.profile], result.panel.text, "LN"],
        [stamp(MADE_AT)],
        ["F" if result.status.value == "F" else "C"],  # table 0123 has no W: a withdrawal corrects the report
    )
    assert obr[7] == [stamp(result.collected_at or result.analyzed_at)]
    is_us = fmt is Format.ORU_R01_US
    assert (obr[16], orc[12:]) == ((ORDERER, [ORDERER]) if is_us else ([""], []))


def assert_specimen(fmt: Format, payload: bytes, result: CodedResult) -> None:
    """Find the specimen's number, which is never lost: SPM-2, or a note where the structure has no SPM; the US guide wants one in any case."""
    notes = [nte[3][0] for nte in components(payload, "NTE")]
    if fmt is Format.ORU_R30:
        assert components(payload, "SPM") == []
        assert (f"Specimen number as printed: {result.specimen_id}" in notes) is bool(result.specimen_id)
        return
    (spm,) = components(payload, "SPM")
    own = fmt is Format.ORU_R01_US and not result.specimen_id
    assert spm[2] == (["", result.result_id] if own else [result.specimen_id])
    assert ("No specimen number was printed; the one in SPM-2 is the result's own." in notes) is own
    kind = result.specimen_type.code if result.specimen_type else "UR"
    assert (spm[4][0], spm[11][0]) == (kind, ROLES[result.purpose])
    assert spm[17:] == ([[stamp(result.collected_at)]] if result.collected_at else [])
    lots = {sid[2][0] for sid in components(payload, "SID")}
    assert lots == ({result.strip_lot} if fmt is Format.OUL_R22 and result.strip_lot else set())


@EVERY
def test_what_was_printed_follows_every_number(fmt: Format, order: str, profile: str, strip: str) -> None:
    """The printed text of a number stands in the NTE right after its OBX (and the lot's SID); a grade has it in CWE.9 (decision 0005)."""
    for result, payload in rendered(fmt, order, profile, strip):
        segments = [segment for segment in decoded(payload) if str(segment[0]) != "SID"]
        pads = iter(result.pads)
        for segment, after in zip(segments, [*segments[1:], [""]], strict=True):
            if str(segment[0]) != "OBX":
                continue
            pad = next(pads)
            if str(segment[2]) == "CWE":
                assert str(after[0]) != "NTE"
            else:
                assert decoded(payload).unescape(str(after[3])) == f"{stands_before(pad)}{pad.printed}"
        assert next(pads, None) is None
