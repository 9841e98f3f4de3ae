"""What ``padpost check`` warns of: each kind of doubt with file, line, key and what would be usual; the shipped files give none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.doubts import undecidable
from tests.tables.shipped_tables import POLICY, ZONE, spoiled, tables

SEDGE = "strip_types/sedge-5.yaml"
DECIDED = "unless the laboratory has decided so."
DOUBTFUL = [
    (
        "catalogue.yaml",
        'code: 53328-1, scale: "SemiQn", status: "ACTIVE"',
        'code: 53328-1, scale: "SemiQn", status: "DISCOURAGED"',
        "code: 53328-1",
        (
            "pads.glucose.codes[1].status: LOINC's status of 53328-1 is DISCOURAGED: it is not recommended for use. "
            "Look for an ACTIVE code in LOINC 2.82."
        ),
    ),
    (
        "catalogue.yaml",
        'code: 53328-1, scale: "SemiQn", status: "ACTIVE"',
        'code: 53328-1, scale: "SemiQn", status: "TRIAL"',
        "code: 53328-1",
        (
            "pads.glucose.codes[1].status: LOINC's status of 53328-1 is TRIAL: it may still change its meaning. "
            "Look for an ACTIVE code in LOINC 2.82."
        ),
    ),
    (
        "catalogue.yaml",
        'code: 53328-1, scale: "SemiQn"',
        'code: 53328-1, scale: "Qn"',
        'code: 53328-1, scale: "Qn"',
        (
            "pads.glucose.codes[1].scale: 53328-1 is a test strip's code with the scale Qn. "
            "Since LOINC 2.75 strip concentrations are SemiQn; look the code up again."
        ),
    ),
    (
        "catalogue.yaml",
        'units: {MCnc: ["mg/dL"]}\n    molar_mass: {formula: "NO2-"',
        'units: {}\n    molar_mass: {formula: "NO2-"',
        "code: 20407-3",
        (
            "pads.nitrite.codes[2].property: No unit of nitrite is given for MCnc, so 20407-3 is never sent. "
            "Add MCnc to its units, or remove the code."
        ),
    ),
    (
        "catalogue.yaml",
        'low: "4.5", high: "8.0"',
        'low: "4.5"',
        'low: "4.5"',
        "pads.ph.expected: ph is abnormal outside a range, but the range has one end. Give low and high, or write sense: more.",
    ),
    (
        SEDGE,
        '{conventional: "8.6", abnormal: true}',
        '{conventional: "8.6", abnormal: false}',
        'conventional: "8.6"',
        f"pads[0].ladder[5].abnormal: 8.6 is outside the expected range 4.5-8.0, but is not marked abnormal. Write abnormal: true, {DECIDED}",
    ),
    (
        SEDGE,
        '{conventional: "6.8", abnormal: false}',
        '{conventional: "6.8", abnormal: true}',
        'conventional: "6.8"',
        f"pads[0].ladder[2].abnormal: 6.8 is inside the expected range 4.5-8.0, but is marked abnormal. Write abnormal: false, {DECIDED}",
    ),
    (
        SEDGE,
        '{grade: "negative", abnormal: false}',
        '{grade: "negative", abnormal: true}',
        'grade: "negative"',
        f"pads[1].ladder[0].abnormal: The grade negative is marked abnormal. Write abnormal: false, {DECIDED}",
    ),
    (
        SEDGE,
        '{grade: "positive", abnormal: true}',
        '{grade: "positive", abnormal: false}',
        'grade: "positive"',
        f"pads[3].ladder[1].abnormal: The grade positive is not marked abnormal. Write abnormal: true, {DECIDED}",
    ),
    (
        SEDGE,
        'conventional: "240", si: "13.3"',
        'conventional: "241", si: "13.3"',
        'conventional: "241"',
        (
            "pads[2].ladder[2].si: 241 mg/dL and 13.3 mmol/L agree only if both are rounded. "
            "241 mg/dL is 13.38 mmol/L; compare both numbers with the strip's own sheet."
        ),
    ),
]
"""File, text in it, what stands there instead, the first words on the line that is meant, and what is said of it."""


@pytest.mark.parametrize(("name", "old", "new", "at", "said"), DOUBTFUL, ids=[said[:40] for *_, said in DOUBTFUL])
def test_a_doubt_is_told_with_its_place(tmp_path: Path, name: str, old: str, new: str, at: str, said: str) -> None:
    """The tables load, since the laboratory may mean it; what is unusual is told once, with its place."""
    own = spoiled(tmp_path, name, old, new)
    text = (own / name).read_text(encoding="utf-8")
    line = text[: text.index(at)].count("\n") + 1
    made = load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert [str(doubt) for doubt in made.doubts] == [f"{name}:{line}: {said}"]


def test_a_normal_trace_above_an_abnormal_step_is_doubtful(tmp_path: Path) -> None:
    """Two published ladders call a trace normal, so that alone is no doubt; normal above abnormal is."""
    trace = 'grade: "trace", conventional: "60", si: "3.3", abnormal: '
    own = spoiled(tmp_path / "a", "strip_types/quill-10.yaml", f"{trace}true", f"{trace}false")
    assert load_tables(shipped_mappings(), own, POLICY, zone=ZONE).doubts == ()
    glucose = 'ladder:\n      - {grade: "negative", abnormal: false}\n      - {grade: "trace", conventional: "60"'
    own = spoiled(own, "strip_types/quill-10.yaml", glucose, glucose)
    path = own / "strip_types/quill-10.yaml"
    text = path.read_text(encoding="utf-8").replace(f"{trace}true", f"{trace}false")
    path.write_text(text.replace(glucose, glucose.replace("abnormal: false", "abnormal: true"), 1), encoding="utf-8")
    said = [f"{doubt.path[-3:]} {doubt.sentence}" for doubt in load_tables(shipped_mappings(), own, POLICY, zone=ZONE).doubts]
    assert said == [
        "('ladder', 0, 'abnormal') The grade negative is marked abnormal.",
        "('ladder', 1, 'abnormal') The grade trace is normal above an abnormal negative.",
    ]


WREN = Path(__file__).parents[1] / "check" / "data" / "undecided"  # own mappings, whose README tells what each shows


def test_units_that_a_strip_may_not_show_are_doubtful() -> None:
    """Wren prints conventional numbers without units, and two of them are other steps in SI; beside units they are not."""
    made = load_tables(shipped_mappings(), WREN, POLICY, zone=ZONE)
    line = (WREN / "profiles" / "wren.yaml").read_text(encoding="utf-8").split("\n").index("  R4: sorrel-4") + 1
    assert [str(doubt) for doubt in made.doubts] == [
        (
            f"profiles/wren.yaml:{line}: strip_types.R4: If the analyzer's unit setting is changed, a strip of sorrel-4 may not show it: "
            "ketones 5; blood 0.3 would be another step. "
            "Print units beside the values if the analyzer can. Padpost holds such a strip for a person (unit.undecided)."
        )
    ]
    strip = made.strip_types["sorrel-4"]
    assert undecidable(made.profiles["wren"], strip) == {"ketones": ("5",), "blood": ("0.3",)}
    assert undecidable(made.profiles["wren-line"], strip) == {}


def test_a_pad_that_always_shows_its_system_leaves_no_doubt() -> None:
    """A pad whose every value one system alone prints settles each strip: a strip of glucose numbers without a negative."""
    made = load_tables(shipped_mappings(), WREN, POLICY, zone=ZONE)
    strip, wren = made.strip_types["sorrel-4"], made.profiles["wren"]
    glucose = wren.vocabularies["sorrel-4", "glucose"]
    numbers = replace(glucose, tokens={text: token for text, token in glucose.tokens.items() if text != "NEG"})
    shows = replace(wren, vocabularies={**wren.vocabularies, ("sorrel-4", "glucose"): numbers})
    assert undecidable(shows, strip) == {}


def test_the_shipped_files_are_beyond_doubt() -> None:
    """A warning that is always there is a warning that nobody reads."""
    assert tables().doubts == ()
