"""The site's word on flags: what compiles, what it changes, and what is only doubtful. Wrong files: test_wrong_files.py."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import TableError
from bridge.model import Grade, Quantity, Sex
from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.compiled import compile_tables
from bridge.tables.documents import BandRow, ConditionRow, CriticalRow, FlagsDocument, NormalRow
from bridge.tables.flag_table import Band, Condition, CriticalRule
from bridge.tables.flags import flag_doubts, with_site_normals
from bridge.tables.types import Tables
from tests.tables.shipped_tables import POLICY, ZONE, copied, tables
from tests.tables.test_compiled import documents

SAID = {"source": "an invented laboratory", "signed": "Dr Q. Example, 2026-11-25"}


@cache
def shipped() -> FlagsDocument:
    """Give the shipped file."""
    return Document(shipped_mappings() / "flags.yaml").shaped(FlagsDocument)


def compiled(*bands: BandRow, normal: tuple[NormalRow, ...] = (), critical: tuple[CriticalRow, ...] = ()) -> Tables:
    """Compile the shipped tables with these flags."""
    document = FlagsDocument(bands=bands, normal=normal, critical=critical)
    return compile_tables(*documents(), POLICY, zone=ZONE, flags=document)


def band(pad: str = "protein", **parts: Any) -> BandRow:
    """Give a band as the file has it."""
    return BandRow.model_validate({"pad": pad, "expected": "Negative", **SAID, **parts})


def test_the_shipped_file_changes_nothing() -> None:
    """No band, no normal, and every critical rule off: what a laboratory did not sign does not flag."""
    flags = tables().flags
    assert (flags.bands, flags.critical, [rule.rule for rule in flags.off]) == (
        {},
        (),
        ["glucose-and-ketones", "newborn-ketones-acid"],
    )
    assert shipped().normal == ()
    assert [row.switched_on for row in shipped().critical] == [False, False]
    bare = compile_tables(*documents(), POLICY, zone=ZONE)
    assert tables().strip_types == bare.strip_types
    assert tables().doubts == bare.doubts


def test_the_shipped_examples_can_be_switched_on() -> None:
    """An example that did not compile on the day that it is wanted would be worse than none."""
    rows = tuple(row.model_copy(update={"switched_on": True, "signed": "Dr Q. Example"}) for row in shipped().critical)
    flags = compiled(critical=rows).flags
    assert flags.off == ()
    assert flags.critical == (
        CriticalRule(
            rule="glucose-and-ketones",
            when=(Condition(pad="glucose", grade=Grade.PLUS_2), Condition(pad="ketones", grade=Grade.PLUS_2)),
            text="Glucose and ketones are raised together.",
        ),
        CriticalRule(
            rule="newborn-ketones-acid",
            when=(
                Condition(pad="ketones", grade=Grade.PLUS_1),
                Condition(pad="ph", at_most=Quantity(value=Decimal("6.0"), unit="[pH]")),
            ),
            text="Ketones with an acid urine; for a place where only newborns' strips are read.",
        ),
    )


def test_a_band_compiles_with_its_digits() -> None:
    """Decimal from end to end: the range is printed as the laboratory wrote it."""
    flags = compiled(
        band(sex="F", from_age=12, to_age=50, abnormal_from="trace"),
        band("specific_gravity", expected="1.002-1.020", to_age=2, low="1.002", high="1.020", unit="1"),
        band(to_age=12, abnormal_from="1+"),
    ).flags
    assert flags.bands == {
        "protein": (
            Band(pad="protein", sex=Sex.FEMALE, from_age=12, to_age=50, expected="Negative", abnormal_from=Grade.TRACE),
            Band(pad="protein", sex=None, from_age=0, to_age=12, expected="Negative", abnormal_from=Grade.PLUS_1),
        ),
        "specific_gravity": (
            Band(
                pad="specific_gravity",
                sex=None,
                from_age=0,
                to_age=2,
                expected="1.002-1.020",
                low=Quantity(value=Decimal("1.002"), unit="1"),
                high=Quantity(value=Decimal("1.020"), unit="1"),
            ),
        ),
    }
    assert str(flags.bands["specific_gravity"][0].high.value) == "1.020"  # type: ignore[union-attr]  # it is set, as above


@pytest.mark.parametrize(
    "second",
    [
        {"sex": "F", "from_age": 3, "to_age": 9},  # inside
        {"from_age": 12},  # it touches
        {"sex": "M", "from_age": 3, "to_age": 9},
    ],
)
def test_bands_inside_one_another_and_bands_that_touch_are_clear(second: dict[str, Any]) -> None:
    """One person, one band: the narrower of two that lie inside one another."""
    assert len(compiled(band(to_age=12, abnormal_from="1+"), band(abnormal_from="trace", **second)).flags.bands["protein"]) == 2


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"to_age": 12}, {"from_age": 11}),
        ({"to_age": 12}, {"to_age": 12}),
        ({"to_age": 12}, {"sex": "F"}),
        ({"sex": "F", "to_age": 12}, {"sex": "F", "from_age": 11, "to_age": 20}),
    ],
)
def test_bands_that_only_overlap_are_refused_by_both_names(first: dict[str, Any], second: dict[str, Any]) -> None:
    """Somebody would be in both, and nobody could say which holds; of another pad they are none of its business."""
    with pytest.raises(TableError, match=r"bands\[0\] \(.*\) and bands\[1\] \(.*\) of protein overlap"):
        compiled(band(abnormal_from="1+", **first), band(abnormal_from="trace", **second))
    assert len(compiled(band(abnormal_from="1+", **first), band("glucose", abnormal_from="1+", **second)).flags.bands) == 2


def test_only_a_signed_row_makes_an_abnormal_step_normal() -> None:
    """That pad, that grade, on every ladder, and in the words that the profiles read; everything else stays."""
    row = NormalRow.model_validate({"pad": "protein", "grade": "trace", **SAID})
    made = compiled(normal=(row,))
    for name, strip in made.strip_types.items():
        for pad, before in zip(strip.pads, tables().strip_types[name].pads, strict=True):
            for step, was in zip(pad.ladder, before.ladder, strict=True):
                named = (pad.pad, step.grade) == ("protein", Grade.TRACE)
                assert step == (replace(was, abnormal=False) if named else was)
    steps = {step for (_, pad), words in made.profiles["moss"].vocabularies.items() if pad == "protein" for step in (token.step for token in words.tokens.values())}  # fmt: skip
    assert {step.grade for step in steps if step and not step.abnormal} == {Grade.NEGATIVE, Grade.TRACE}
    assert made.doubts == tables().doubts, "a trace is the site's to judge"
    assert with_site_normals(tables().strip_types, FlagsDocument()) == tables().strip_types


def test_what_may_be_a_slip_is_doubted() -> None:
    """A signed 2+ as normal, a range that a ladder contradicts, a rule that no strip type can meet."""
    document = FlagsDocument.model_validate(
        {
            "normal": [{"pad": "glucose", "grade": "2+", **SAID}],
            "bands": [
                {"pad": "ph", "expected": "4.5-9.0", "low": "4.5", "high": "9.0", "unit": "[pH]", **SAID},
                {"pad": "ascorbic_acid", "expected": "<15 mg/dL", "high": "15", "unit": "mg/dL", **SAID},
            ],
            "critical": [
                {
                    "id": "never",
                    "text": "t",
                    "source": "s",
                    "when": [
                        {"pad": "creatinine", "at_most": "15", "unit": "mg/dL"},
                        {"pad": "ascorbic_acid", "at_least": "35", "unit": "mg/dL"},
                    ],
                }
            ],
        }
    )
    assert [str(doubt) for doubt in flag_doubts(document, tables().strip_types)] == [
        "flags.yaml.normal.0.grade: The grade '2+' of glucose is signed as normal by Dr Q. Example, 2026-11-25. Remove the row, unless the laboratory has decided so.",
        (
            "flags.yaml.bands.0: The range of the band holds 8.4 [pH], which a ladder of ph calls abnormal: its flag stays A. "
            "Write abnormal: false in the site's own copy of the ladder, or narrow the range."
        ),
        'flags.yaml.bands.1.expected: The expectation says <15, but 15 itself is in the range and is flagged as normal. Write "<=15", or another bound.',
        (
            "flags.yaml.bands.1: The range of the band holds 15 mg/dL, which a ladder of ascorbic_acid calls abnormal: its flag stays A. "
            "Write abnormal: false in the site's own copy of the ladder, or narrow the range."
        ),
        "flags.yaml.critical.0.when: No strip type has all pads of never: ascorbic_acid, creatinine. The rule can never be met; remove it, or add the strip type.",
    ]
    assert flag_doubts(shipped(), tables().strip_types) == ()


def test_the_digest_names_the_flags() -> None:
    """A result stays explainable: another band is another table set."""
    assert compiled().digest != compiled(band(abnormal_from="1+")).digest
    assert compiled(band(abnormal_from="1+")).digest == compiled(band(abnormal_from="1+")).digest


def test_a_sites_own_file_replaces_the_shipped_one(tmp_path: Path) -> None:
    """As the other mapping files: whole, by its name."""
    (tmp_path / "flags.yaml").write_text("bands: []\n", encoding="utf-8")
    assert load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE).flags.off == ()


def test_a_folder_without_the_file_is_refused(tmp_path: Path) -> None:
    """A file that was lost must not quietly switch a laboratory's critical rules off."""
    copied(tmp_path)
    (tmp_path / "flags.yaml").unlink()
    with pytest.raises(TableError) as caught:
        load_tables(tmp_path, None, POLICY, zone=ZONE)
    assert str(caught.value) == (
        f"{tmp_path}:1: There is no flags.yaml. Restore it: without it nothing says which critical rules are on."
    )


def test_a_condition_is_a_grade_or_a_number() -> None:
    """The three ways to write one."""
    rows = [
        {"pad": "glucose", "at_least": "3+"},
        {"pad": "glucose", "at_least": "450", "unit": "mg/dL"},
        {"pad": "ph", "at_most": "6.0", "unit": "[pH]"},
    ]
    critical = tuple(
        CriticalRow(id=f"r{n}", when=(ConditionRow.model_validate(row),), text="t", source="s", signed="x", switched_on=True)
        for n, row in enumerate(rows)
    )
    assert [rule.when for rule in compiled(critical=critical).flags.critical] == [
        (Condition(pad="glucose", grade=Grade.PLUS_3),),
        (Condition(pad="glucose", at_least=Quantity(value=Decimal(450), unit="mg/dL")),),
        (Condition(pad="ph", at_most=Quantity(value=Decimal("6.0"), unit="[pH]")),),
    ]
