"""A computed ratio as a coded pad: marked, coded, flagged; and none where the strip's values give none."""

from __future__ import annotations

import pytest

from bridge.coding import Known, code_ratio
from bridge.coding.ratios import ratio_pads
from bridge.model import CodedPad, Property, ReadBy
from tests.tables.shipped_tables import tables

STRIP = tables().strip_types["sorrel-14"]
PADS = {pad.pad: pad for pad in STRIP.pads}


def known(**ranks: int) -> dict[str, Known]:
    """Give pads with the step of each rank, printed as step 0, 1 ..."""
    return {name: Known(step=PADS[name].ladder[rank], printed=f"step {rank}") for name, rank in ranks.items()}


def coded(**ranks: int) -> tuple[CodedPad, ...]:
    """Give the ratios of these pads as an analyzer's strip has them."""
    return ratio_pads(known(**ranks), STRIP, tables().catalogue, read_by=ReadBy.ANALYZER)


def test_a_ratio_is_marked_and_says_where_it_comes_from() -> None:
    """Albumin 8.5 over creatinine 110 mg/dL: the codes of loinc_pads.csv for mg/g and mg/mmol, and both printed texts."""
    (acr,) = coded(albumin=2, creatinine=2)
    assert (acr.pad, acr.computed_from) == ("albumin_creatinine", ("albumin", "creatinine"))
    assert acr.printed == "Albumin step 2, Creatinine step 2"
    assert [(form.prop, form.code.code, form.method) for form in acr.forms] == [
        (Property.MASS_RATIO, "20621-9", "strip"),
        (Property.RATIO, "30001-2", "strip"),
    ]
    assert (acr.flag.value, acr.expected) == ("H", "<30")


def test_both_ratios_of_one_strip() -> None:
    """Creatinine serves both; the protein ratio has no strip code for a number, so its codes name no method."""
    acr, pcr = coded(albumin=1, creatinine=3, protein=3)
    assert [(pad.pad, pad.flag.value) for pad in (acr, pcr)] == [("albumin_creatinine", "N"), ("protein_creatinine", "H")]
    assert [(form.code.code, form.method) for form in pcr.forms] == [("2890-2", "none"), ("34366-5", "none")]


@pytest.mark.parametrize(
    "ranks",
    [
        {"albumin": 2},
        {"creatinine": 2},
        {"albumin": 0, "creatinine": 0},
        {"albumin": 3, "creatinine": 4},
        {"protein": 0, "creatinine": 2},
    ],
    ids=str,
)
def test_no_ratio_where_the_values_give_none(ranks: dict[str, int]) -> None:
    """A pad is missing, both ends are open against each other, or there is only a grade."""
    assert coded(**ranks) == ()


def test_read_by_eye_it_is_computed_just_so() -> None:
    """The numbers are the ladder's, whoever compared the colours."""
    pad = code_ratio(STRIP.ratios[0], known(albumin=1, creatinine=1), tables().catalogue, read_by=ReadBy.EYE)
    assert pad is not None
    assert (pad.forms[0].code.code, pad.read_by, pad.flag.value) == ("20621-9", ReadBy.EYE, "H")
