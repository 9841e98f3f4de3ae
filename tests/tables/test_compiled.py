"""Compiling the mapping files: what is right compiles, what is wrong names file, line, key, cause and remedy."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.app import load_tables
from bridge.errors import TableError
from bridge.settings import Document, shipped_mappings
from bridge.tables.compiled import compile_tables, loinc_check_digit
from bridge.tables.documents import CatalogueDocument, ProfileDocument, StripTypeDocument
from bridge.tables.types import Tables
from tests.tables.shipped_tables import POLICY, ZONE, copied, rows, spoiled, tables

WRONG = [
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: 53328-2",
        "catalogue.yaml:37: pads.glucose.codes[1].code: '53328-2' is not a LOINC code: its check digit is wrong. Look the code up again; with these digits it would be 53328-1.",
    ),
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: 50555-2",
        "catalogue.yaml:37: pads.glucose.codes[1].code: The code 50555-2 stands twice: for glucose and for glucose. One code means one thing; remove the wrong one.",
    ),
    (
        "catalogue.yaml",
        "property: MCnc, method: automated, code: 53328-1",
        "property: MCnc, method: none, code: 53328-1",
        "catalogue.yaml:34: pads.glucose.codes: The codes of glucose are not in order of preference. List automated codes first, then strip, then none.",
    ),
    (
        "catalogue.yaml",
        "property: SCnc, method: automated, code: 59156-0",
        "property: MCnc, method: automated, code: 59156-0",
        "catalogue.yaml:39: pads.glucose.codes[2]: Two codes have the property MCnc and the method automated. Keep the one that is meant.",
    ),
    (
        "catalogue.yaml",
        'unit: "[pH]"',
        'unit: "pH"',
        "catalogue.yaml:135: pads.ph.expected.low: The unit 'pH' of the expected range is not one of the pad's units. Use one of: [pH].",
    ),
    (
        "catalogue.yaml",
        "sense: more",
        "sence: more",
        "catalogue.yaml:31: pads.glucose.sence: The key 'sence' is unknown here. Did you mean 'sense'?",
    ),
    (
        "strip_types/sedge-5.yaml",
        "pad: protein",
        "pad: proteine",
        "strip_types/sedge-5.yaml:33: pads[4].pad: The pad 'proteine' is not in the catalogue. Use one of: albumin, ascorbic_acid, bilirubin, blood, calcium, creatinine, glucose, ketones, leukocytes, nitrite, ph, protein, specific_gravity, urobilinogen.",
    ),
    (
        "strip_types/sedge-5.yaml",
        "pad: protein",
        "pad: glucose",
        "strip_types/sedge-5.yaml:33: pads[4].pad: The pad 'glucose' is on the strip twice. Keep one.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '"80"',
        "80",
        'strip_types/sedge-5.yaml:26: pads[2].ladder[1].conventional: write this in quotes: "1.010" keeps its zero, and "yes" and "12:30" stay text. It says 80. Correct the value.',
    ),
    (
        "strip_types/sedge-5.yaml",
        '"80"',
        '"eighty"',
        'strip_types/sedge-5.yaml:26: pads[2].ladder[1].conventional: a number is written as "60", "1.010" or ">=1000". It says \'eighty\'. Correct the value.',
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "80", si: "4.4"',
        'conventional: "80"',
        "strip_types/sedge-5.yaml:26: pads[2].ladder[1]: The step has a number in one unit system only. Give it the other system's number too, or neither.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "80", si',
        'conventional: "800", si',
        "strip_types/sedge-5.yaml:27: pads[2].ladder[2]: The number 240 stands above 800. List the steps from low to high, each number once.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "1+", conventional: "35", si: "35"',
        '{grade: "3+", conventional: "35", si: "35"',
        "strip_types/sedge-5.yaml:19: pads[1].ladder[2]: The grade '2+' stands above '3+'. List the steps from low to high, each grade once.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'unit: "mmol/L"',
        'unit: "mmol/l"',
        "strip_types/sedge-5.yaml:23: pads[2].si.unit: The unit 'mmol/l' is not one of glucose as SCnc. Use one of: mmol/L.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'property: SCnc, unit: "mmol/L"',
        'property: NCnc, unit: "mmol/L"',
        "strip_types/sedge-5.yaml:23: pads[2].si.property: The catalogue has no NCnc code for glucose. Use one of: MCnc, PrThr, SCnc.",
    ),
    (
        "strip_types/pebble-2.yaml",
        '{conventional: "15"',
        '{grade: "normal", conventional: "15"',
        "strip_types/pebble-2.yaml:6: pads[0].ladder: The catalogue has no code for a grade of creatinine. Give the steps numbers and no grade.",
    ),
    (
        "strip_types/sedge-5.yaml",
        "  - pad: nitrite\n    ladder:",
        '  - pad: nitrite\n    si: {property: MCnc, unit: "mg/dL"}\n    ladder:',
        "strip_types/sedge-5.yaml:30: pads[3].si: SI values stand without conventional ones. Declare the conventional scale too.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "positive", abnormal: true}',
        "{abnormal: true}",
        "strip_types/sedge-5.yaml:32: pads[3].ladder[1]: The step has neither a grade nor a conventional number. Give it one of them.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "positive", abnormal: true}',
        '{grade: "positive", conventional: "5", abnormal: true}',
        "strip_types/sedge-5.yaml:32: pads[3].ladder[1].conventional: The step has a number, but the pad has no scale for it. Declare conventional: property and unit.",
    ),
    (
        "profiles/moss.yaml",
        '"2+": ["mäßig"]',
        '"2+": ["wenig"]',
        "profiles/moss.yaml:35: words: ketones: 1+ and 2+ are both printed as 'wenig'. Give each step words of its own.",
    ),
    (
        "profiles/brook.yaml",
        "GLUC: glucose",
        "GLUC: glucos",
        "profiles/brook.yaml:22: labels.GLUC: The pad 'glucos' is on none of this profile's strip types. Did you mean 'glucose'?",
    ),
    (
        "profiles/brook.yaml",
        "  GLUC: glucose\n",
        "",
        "profiles/brook.yaml:21: labels: No label names the pad 'glucose' of quill-10. Add its printed label: LABEL: glucose.",
    ),
    (
        "profiles/brook.yaml",
        "S5: sedge-5",
        "S5: sedge-6",
        "profiles/brook.yaml:34: strip_types.S5: There is no strip type 'sedge-6'. Did you mean 'sedge-5'?",
    ),
    (
        "profiles/brook.yaml",
        'patient_id: "P.4"',
        'patient: "P.4"',
        "profiles/brook.yaml:62: lis2.fields.patient: 'patient' is not something a layout can find. Did you mean 'patient_id'?",
    ),
    (
        "profiles/brook.yaml",
        'patient_id: "P.4"',
        'patient_id: "P4"',
        'profiles/brook.yaml:62: lis2.fields.patient_id: \'P4\' is no place in a record. Write record.field or record.field.component: "O.3", "R.3.4".',
    ),
    (
        "profiles/brook.yaml",
        '"/uL": ["/uL"]',
        '"/uL": []',
        'profiles/brook.yaml:45: units: The profile says nothing about how the unit \'/uL\' is printed. Add "/uL": [...] with each printed text, or [""] if it is not printed.',
    ),
    (
        "profiles/brook.yaml",
        '"negative": ["NEG"]',
        '"negative": []',
        "profiles/brook.yaml:36: words: The profile has no word for the grade 'negative', which ketones prints. Add \"negative\": [...] with each printed word.",
    ),
    (
        "profiles/brook.yaml",
        "zone: site",
        "zone: Lisbon",
        "profiles/brook.yaml:6: zone: No time zone is called 'Lisbon'. Use site, or a name such as Europe/Lisbon.",
    ),
    (
        "profiles/brook.yaml",
        '"%Y%m%d%H%M%S"',
        '"%y%m%d%H%M%S"',
        "profiles/brook.yaml:8: date_format: '%y%m%d%H%M%S' does not name day, month and four-digit year. Use %Y, %m and %d: a guessed century is a guessed date.",
    ),
    (
        "profiles/brook.yaml",
        '"(?P<mode>[A-Z])(?P<number>[0-9]{5})"',
        '"(?P<mode>[A-Z])([0-9]{5})"',
        "profiles/brook.yaml:10: numbers.pattern: The pattern has no group 'number'. Name it: (?P<number>...).",
    ),
    (
        "profiles/brook.yaml",
        '"(?P<mode>[A-Z])(?P<number>[0-9]{5})"',
        '"(?P<mode>[A-Z])(?P<number>([0-9]+)+)"',
        "profiles/brook.yaml:10: numbers.pattern: '(?P<mode>[A-Z])(?P<number>([0-9]+)+)' repeats a group that holds a repetition. Write the repetition once, with a limit such as {1,20}.",
    ),
    (
        "profiles/brook.yaml",
        '{word: "S",',
        '{word: "N",',
        "profiles/brook.yaml:16: numbers.modes[1].word: The word 'N' has two meanings. Keep one.",
    ),
    (
        "profiles/brook.yaml",
        "layout: lis2",
        "layout: slip",
        "profiles/brook.yaml:59: lis2: The section 'lis2' stands beside layout: slip. Give exactly the section 'slip'.",
    ),
    (
        "profiles/brook.yaml",
        "charset: ascii",
        "charset: guess",
        "profiles/brook.yaml:5: charset: Input should be 'ascii', 'latin-1', 'cp1252', 'cp437', 'cp850', 'utf-8' or 'iso8859-15'. It says 'guess'. Correct the value.",
    ),
    (
        "profiles/brook.yaml",
        'printed: ["{value}"]',
        'printed: ["{number}"]',
        "profiles/brook.yaml:35: printed: '{number}' is no form of a value. Make it of {grade}, {value} and {unit}.",
    ),
    (
        "profiles/brook.yaml",
        '    mark: "R.7"\n',
        "",
        "profiles/brook.yaml:54: marks: The layout finds no mark. Give both marks and a place of mark, or neither.",
    ),
    (
        "profiles/tern.yaml",
        '"pad:Creatin."',
        '"pad:Albumina"',
        "profiles/tern.yaml:57: delimited.columns[23]: The column 'pad:Albumina' stands twice. Name one of them, and \"-\" for the other.",
    ),
    (
        "profiles/tern.yaml",
        ', "Observações"]',
        "]",
        "profiles/tern.yaml:56: delimited.header: The header has 24 cells, and 25 columns are named. Name as many columns as the header has cells.",
    ),
    (
        "profiles/tern.yaml",
        'delimiter: ";"',
        'delimiter: "a"',
        "profiles/tern.yaml:54: delimited.delimiter: 'a' cannot be the delimiter. Use one ASCII sign or a tab.",
    ),
    (
        "profiles/alder.yaml",
        "(?P<comment>.{0,80})",
        "(?P<remark>.{0,80})",
        "profiles/alder.yaml:66: slip.lines[7].pattern: 'remark' is not something a layout can find. Did you mean 'mark'?",
    ),
    (
        "profiles/alder.yaml",
        "(?P<comment>.{0,80})",
        "(?P<comment>.{0,80}",
        "profiles/alder.yaml:66: slip.lines[7].pattern: 'Note {0,2}(?P<comment>.{0,80}' is not a regular expression: missing ), unterminated subpattern at position 10. Mend it; python's re module says how.",
    ),
    (
        "profiles/moss.yaml",
        "series: fall",
        "series: daily",
        "profiles/moss.yaml:10: numbers.series: Numbers restart daily, but no date is printed. Use series: fall, or read the date.",
    ),
    (
        "profiles/moss.yaml",
        "title:",
        "tittle:",
        "profiles/moss.yaml:1: tittle: The key 'tittle' is unknown here. Did you mean 'title'?",
    ),
]


@pytest.mark.parametrize(("name", "old", "new", "said"), WRONG, ids=[f"{name}: {new[:40]}" for name, _, new, _ in WRONG])
def test_a_wrong_file_is_explained(tmp_path: Path, name: str, old: str, new: str, said: str) -> None:
    """Whoever writes a mapping file is told where it is wrong, why, and what would be right."""
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), spoiled(tmp_path, name, old, new), POLICY, zone=ZONE)
    assert str(caught.value) == said


def test_a_missing_catalogue_is_explained(tmp_path: Path) -> None:
    """Without the catalogue nothing has a code; the service must not start on half of its tables."""
    root = copied(tmp_path)
    (root / "catalogue.yaml").unlink()
    with pytest.raises(TableError, match=r"There is no catalogue\.yaml\. Restore it"):
        load_tables(root, None, POLICY, zone=ZONE)


def test_what_is_no_yaml_is_explained(tmp_path: Path) -> None:
    """A file that an editor left half-written names its line too."""
    own = spoiled(tmp_path, "profiles/moss.yaml", "numbers:", "numbers: [")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert caught.value.spot is not None
    assert caught.value.spot.file == "profiles/moss.yaml"
    assert caught.value.sentence.startswith("This is not YAML:")


def documents() -> tuple[CatalogueDocument, dict[str, StripTypeDocument], dict[str, ProfileDocument]]:
    """Read the shipped files as documents."""
    root = shipped_mappings()
    return (
        Document(root / "catalogue.yaml").shaped(CatalogueDocument),
        {path.stem: Document(path).shaped(StripTypeDocument) for path in (root / "strip_types").glob("*.yaml")},
        {path.stem: Document(path).shaped(ProfileDocument) for path in (root / "profiles").glob("*.yaml")},
    )


def compiled(zone: ZoneInfo = ZONE, **changes: int) -> Tables:
    """Compile the shipped documents with a changed policy."""
    return compile_tables(*documents(), replace(POLICY, **changes), zone=zone)  # type: ignore[arg-type]  # every changed field is an int


def test_the_shipped_files_compile() -> None:
    """The wheel's own tables are sound, and loading and compiling are one and the same."""
    made = compiled()
    assert sorted(made.profiles) == ["alder", "brook", "brook-file", "fjord", "moss", "tern"]
    assert sorted(made.strip_types) == ["larch-9", "pebble-2", "plover-12", "quill-10", "sedge-5"]
    assert len(made.catalogue.pads) == 14
    assert made.digest == tables().digest
    assert made.policy == POLICY


def test_the_canonical_content_is_what_the_digest_is_of() -> None:
    """The store keeps this content by its digest: years later it must still say what a printed value was taken for."""
    made = compiled()
    assert hashlib.sha256(made.canonical).hexdigest() == made.digest
    plain = json.loads(made.canonical)
    assert sorted(plain) == ["catalogue", "policy", "profiles", "strip_types", "zone"]
    assert sorted(plain["profiles"]) == sorted(made.profiles)
    assert sorted(plain["strip_types"]) == sorted(made.strip_types)
    assert sorted(plain["catalogue"]["pads"]) == sorted(made.catalogue.pads)
    assert json.dumps(plain, sort_keys=True, separators=(",", ":")).encode() == made.canonical


def test_the_digest_names_the_tables() -> None:
    """Whatever changes a result changes the digest, so that a result stays explainable; file layout does not."""
    digest = compiled().digest
    assert len(digest) == 64
    assert compiled().digest == digest
    assert compiled(oldest_days=31).digest != digest
    assert compiled(zone=ZoneInfo("Europe/Vienna")).digest != digest


def test_own_files_replace_shipped_ones(tmp_path: Path) -> None:
    """A site's own profile of the same name wins; the others stay."""
    own = spoiled(tmp_path, "profiles/moss.yaml", "Moss analyzer", "Our Moss")
    made = load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert made.profiles["moss"].title.startswith("Our Moss")
    assert made.profiles["alder"] == tables().profiles["alder"]
    assert made.digest != tables().digest


def test_the_sites_zone_is_the_profiles_zone() -> None:
    """``zone: site`` takes the site's clock; a named zone stays its own. A wrong zone would be a wrong time in the record."""
    made = compiled(zone=ZoneInfo("Europe/Vienna"))
    assert {name: profile.zone.key for name, profile in made.profiles.items()} == {
        "alder": "Europe/Vienna",
        "brook": "Europe/Vienna",
        "brook-file": "Europe/Vienna",
        "fjord": "Europe/Vienna",
        "moss": "Europe/Vienna",
        "tern": "Europe/Lisbon",
    }


@pytest.mark.parametrize("row", rows("loinc_pads.csv"), ids=lambda row: row["loinc"])
def test_check_digit(row: dict[str, str]) -> None:
    """The rule of the LOINC Users' Guide holds for every code of the outside source."""
    body, digit = row["loinc"].split("-")
    assert loinc_check_digit(body) == int(digit)


def test_catalogue_bounds_are_quantities() -> None:
    """Specific gravity has bounds with a unit and their zeros; graded pads have none."""
    pads = tables().catalogue.pads
    low, high = pads["specific_gravity"].low, pads["specific_gravity"].high
    assert low is not None
    assert high is not None
    assert [(str(bound.value), bound.unit) for bound in (low, high)] == [("1.002", "1"), ("1.035", "1")]
    assert (pads["glucose"].low, pads["glucose"].high, pads["glucose"].expected) == (None, None, "Negative")
    assert (pads["glucose"].local.code, pads["glucose"].local.system) == ("PP-GLU", "L")
