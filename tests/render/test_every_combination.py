"""Every message profile with every strip type, as every profile that reads it, in every unit system: through every source that we have.

Outside the project, HL7 v2: PyPI hl7apy 1.3.5 (strict parse and validate, after the fields of PRE_ADOPTED are taken out), PyPI ``hl7`` as a
second decoder, and the rows of the US guide for its shape. FHIR: the official R4 schema, fhirkit-rs and the R4 invariants (fhir_check.py),
fhir.resources (R4B models), and the guides' own expressions. All the samples of each are in test_oracles.py and its neighbours.
"""

from __future__ import annotations

from itertools import product

import pytest

from bridge.model import CodedGrade, CodedPad, Format, Quantity, UnitSystem
from bridge.render.conformance import faults
from bridge.render.oracles import PRE_ADOPTED, oracle_faults
from tests.render.every_sample import ORDERS, rendered
from tests.render.fhir_check import bundle_faults
from tests.render.second_decoder import components
from tests.render.tables_for_tests import EVERY_STRIP
from tests.render.test_fhir_profiles import guide_faults
from tests.render.test_us_rules import assert_shaped

# the order of preference of a destination that takes this unit system first
SYSTEMS = {UnitSystem.ARBITRARY: "grades", UnitSystem.CONVENTIONAL: "numbers", UnitSystem.SI: "si"}
COMBINATIONS = tuple(product(Format, EVERY_STRIP, SYSTEMS))


def first_choice(pad: CodedPad, order: str) -> object:
    """Give the value that a destination with this preference should get."""
    return next(form.value for system in (*ORDERS[order], *UnitSystem) for form in pad.forms if form.system is system)


@pytest.mark.slow
@pytest.mark.parametrize(("fmt", "strip", "system"), COMBINATIONS)
def test_every_source_takes_the_combination(fmt: Format, strip: tuple[str, str], system: UnitSystem) -> None:
    """The strip at its lowest steps and at its highest: no source finds a fault, and the values are of the unit system that was asked for."""
    samples = rendered(fmt, SYSTEMS[system], *strip)
    plain = [each for each in samples if int(each[0].result_id.removeprefix("SMPL1R")) < 900]
    for result, payload in (plain[0], plain[-1]):
        assert (faults(fmt, payload), oracle_faults(fmt, payload)) == ((), ())
        if fmt.is_fhir:
            assert bundle_faults(payload) == []
            assert guide_faults(payload, fmt.value.removeprefix("fhir").strip("_")) == []
            continue
        if fmt is Format.ORU_R01_US:
            assert_shaped(payload)
        said = [(obx[2][0], obx[5]) for obx in components(payload, "OBX")]
        for (kind, value), pad in zip(said, result.pads, strict=True):
            wanted = first_choice(pad, SYSTEMS[system])
            if isinstance(wanted, Quantity):
                digits = f"{wanted.value:f}"
                assert (kind, value) == (("SN", [wanted.comparator, digits]) if wanted.comparator else ("NM", [digits]))
            else:
                assert (kind, value[8]) == ("CWE", pad.printed)
                assert not isinstance(wanted, CodedGrade) or wanted.answer is None or value[0] == wanted.answer.code


def test_the_combinations_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """Say how many there are, and which fields hl7apy does not see; a new message profile, strip type or reader raises the count."""
    assert len(COMBINATIONS) == 7 * 19 * 3
    strips = {strip for _, strip in EVERY_STRIP}
    assert len(strips) == 7
    with capsys.disabled():
        taken_out = "; ".join(
            f"{fmt.value} {name}-{number} ({reason})"
            for fmt, each in PRE_ADOPTED.items()
            for (name, number), reason in each.items()
        )
        print(
            f"\n{len(COMBINATIONS)} combinations: {len(Format)} message profiles x {len(EVERY_STRIP)} readings of {len(strips)} strip types"
            f" x {len(SYSTEMS)} unit systems, two messages each. Taken out before hl7apy: {taken_out}"
        )
