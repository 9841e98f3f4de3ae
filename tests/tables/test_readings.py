"""Strips read by eye: which codes they get, and that every pad has one."""

from __future__ import annotations

import pytest

from bridge.coding import code_step
from bridge.model import ReadBy
from bridge.tables.readings import METHODS, check_reading, properties
from tests.tables.shipped_tables import rows, tables

VISUAL = {  # coding reference, section 1: the codes with the method Test strip, by pad and property; blank there: none or method-free
    "glucose": {"PrThr": "25428-4", "MCnc": "5792-7"},
    "bilirubin": {"PrThr": "5770-3", "MCnc": "20505-4", "SCnc": "41016-7"},
    "ketones": {"PrThr": "2514-8", "MCnc": "5797-6", "SCnc": "22702-5"},
    "blood": {"PrThr": "5794-3", "MCnc": "49137-3", "NCnc": "20409-9"},
    "protein": {"PrThr": "20454-5", "MCnc": "5804-0"},
    "urobilinogen": {"PrThr": "5818-0", "MCnc": "20405-7", "SCnc": "34928-2", "ACnc": "19161-9"},
    "nitrite": {"PrThr": "5802-4", "MCnc": "20407-3"},
    "leukocytes": {"PrThr": "5799-2", "NCnc": "20408-1"},
    "specific_gravity": {"SpGrav": "5811-5"},
    "ph": {"LsCnc": "5803-2"},
    "ascorbic_acid": {"MCnc": "5768-7"},
    "albumin": {"PrThr": "95232-5", "MCnc": "11218-5"},
    "creatinine": {"MCnc": "30004-6"},
    "calcium": {},
    "colour": {},
    "clarity": {},
}
LOINC = {row["loinc"]: row for row in rows("loinc_pads.csv")}


@pytest.mark.parametrize("name", sorted(VISUAL))
def test_every_pad_has_its_visual_codes(name: str) -> None:
    """The strip codes of each pad are those of the coding reference, and their rows name a test strip as the method."""
    codes = {code.prop.value: code.code.code for code in tables().catalogue.pads[name].codes if code.method == "strip"}
    assert codes == VISUAL[name]
    assert all("est strip" in LOINC[code]["method"] and "automated" not in LOINC[code]["method"] for code in codes.values())


def test_every_pad_is_in_the_list() -> None:
    """A new pad needs its row above, as far as nothing but ratios is computed."""
    assert set(tables().catalogue.pads) - {"albumin_creatinine", "protein_creatinine"} == set(VISUAL)


@pytest.mark.parametrize("strip", sorted(tables().strip_types))
def test_every_step_of_every_strip_can_be_told_by_eye(strip: str) -> None:
    """Whatever ladder a site reads by eye, no step is left without a code, and none gets an automated one."""
    catalogue = tables().catalogue
    for pad in tables().strip_types[strip].pads:
        strips = {code.prop for code in catalogue.pads[pad.pad].codes if code.method == "strip"}
        for step in pad.ladder:
            coded = code_step(catalogue.pads[pad.pad], pad, step, catalogue.answers, printed="x", read_by=ReadBy.EYE)
            assert [form.method for form in coded.forms] == ["strip" if form.prop in strips else "none" for form in coded.forms]


def test_an_eye_is_never_automated() -> None:
    """An analyzer prefers the automated code; a person has none."""
    assert METHODS == {ReadBy.ANALYZER: ("automated", "strip", "none"), ReadBy.EYE: ("strip", "none")}


def test_the_panel_follows_the_reading() -> None:
    """50556-0 says Automated test strip; a sheet of strips read by eye stands under 24357-6, which leaves the method open."""
    panels = {read_by: tables().catalogue.panel_of(read_by) for read_by in ReadBy}
    assert {read_by: panel.code for read_by, panel in panels.items()} == {ReadBy.ANALYZER: "50556-0", ReadBy.EYE: "24357-6"}
    assert panels[ReadBy.EYE].text == LOINC["24357-6"]["long_common_name"]
    assert {name for name, profile in tables().profiles.items() if profile.read_by is ReadBy.EYE} == {"heron"}


def test_properties_are_all_kinds_of_a_ladder() -> None:
    """Grade, conventional and SI number; or the word alone."""
    pads = {pad.pad: pad for pad in tables().strip_types["sorrel-14"].pads}
    assert [prop.value for prop in properties(pads["glucose"])] == ["PrThr", "MCnc", "SCnc"]
    assert [prop.value for prop in properties(pads["colour"])] == ["Type"]
    check_reading(tables().profiles["heron"], tables().strip_types, tables().catalogue)
