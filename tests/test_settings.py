"""The site configuration: right files are read, wrong ones are answered with file, line, key and remedy."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge import settings
from bridge.errors import SettingsError

GOOD = """\
site:
  name: Saltmarsh Clinic
  zone: Europe/Lisbon
  data: store
patient_ids:
  pattern: '\\d{8}'
  authority: SALTMARSH
  system: urn:example:saltmarsh
sources:
  - name: bench-line
    kind: serial
    port: /dev/ttyS9
    link: lis01
    analyzer: bench-a
    profile: brook
  - name: drops
    kind: folder
    path: drops
    analyzer: bench-b
    profile: tern
destinations:
  - name: records
    kind: mllp
    host: 127.0.0.1
    port: 2575
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_good_file_is_read_with_paths_beside_it(tmp_path: Path) -> None:
    """Relative paths start at the file's folder, and what is left out has its default."""
    read = settings.read_settings(write(tmp_path, GOOD))
    assert read.site.zone == ZoneInfo("Europe/Lisbon")
    assert read.site.data == tmp_path / "store"
    assert read.signed_off == tmp_path / "signed_off.yaml"
    line, drops = read.sources
    assert isinstance(line, settings.SerialSource)
    assert line.baud == 9600
    assert isinstance(drops, settings.FolderSource)
    assert drops.path == tmp_path / "drops"
    assert read.pages.host == "127.0.0.1"
    assert read.destinations[0].values == ("arbitrary", "conventional", "si")


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("    port: /dev/ttyS9", "    prot: /dev/ttyS9"), 12, "sources[0].prot", "Did you mean 'port'?"),
        (("  zone: Europe/Lisbon", "  zone: Europe/Atlantis"), 3, "site.zone", "no time zone is called 'Europe/Atlantis'"),
        (("    kind: folder\n", "    kind: pigeon\n"), 17, "sources[1].kind", "pigeon"),
        (("    port: 2575", "    port: 257500"), 25, "destinations[0].port", "less than or equal to 65535"),
        (("- name: drops", "- name: bench-line"), 1, "", "two sources are called 'bench-line'"),
        (("    link: lis01", "    link: stream"), 10, "sources[0]", "link: stream needs cut"),
        (("'\\d{8}'", "'(\\d{8}'"), 5, "patient_ids", "is not a regular expression"),
        (("  authority: SALTMARSH\n", ""), 5, "patient_ids.authority", "'authority' is missing"),
        (("site:\n", "site:\n  name: Twice\n"), 3, "site.name", "given twice"),
        (("  zone: Europe/Lisbon", "  zone: [Europe"), 4, "", "This is not YAML"),
        *(
            (
                ("    port: 2575", f"    port: 2575\n    grades: {grades}"),
                22,
                "destinations[0]",
                "grades is [text], or one or two",
            )
            for grades in ("[text, loinc]", "[loinc, loinc]")
        ),
        (("    port: 2575", "    port: 2575\n    grades: [local]"), 22, "destinations[0]", "grades with local needs grade_table"),
        (
            ("    port: 2575", "    port: 2575\n    grade_table: {codes: {trace: {code: T, text: trace}}}"),
            22,
            "destinations[0]",
            "without local takes none",
        ),
        (
            ("    port: 2575", "    port: 2575\n    grades: [icd]"),
            26,
            "destinations[0].grades[0]",
            "Input should be 'loinc', 'local', 'snomed' or 'text'",
        ),
        (
            ("    port: 2575", "    port: 2575\n    grades: [loinc, local, snomed]"),
            26,
            "destinations[0].grades",
            "at most 2 items",
        ),
        (
            (
                "    port: 2575",
                "    port: 2575\n    grades: [local]\n    grade_table: {codes: {trace: {code: T, text: a}, 1+: {code: T, text: b}}}",
            ),
            27,
            "destinations[0].grade_table",
            "two grades have the code 'T'",
        ),
        (
            (
                "    port: 2575",
                "    port: 2575\n    grades: [local]\n    grade_table:\n      system: SCT\n      codes: {trace: {code: T, text: a}}",
            ),
            28,
            "destinations[0].grade_table.system",
            "should match pattern",
        ),
        (
            (
                "    port: 2575",
                "    port: 2575\n    grades: [local]\n    grade_table:\n      codes:\n        5+: {code: T, text: a}",
            ),
            29,
            "destinations[0].grade_table.codes.5+",
            "Input should be 'negative', 'normal', 'trace'",
        ),
    ],
)
def test_wrong_file_names_line_key_and_remedy(tmp_path: Path, change: tuple[str, str], line: int, key: str, words: str) -> None:
    """An admin finds the place without searching."""
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(*change, 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


US = """    port: 2575
    format: oru_r01_us
    sending_facility: LAB7
    message_profile: Agreed^^2.999.5^ISO
    provider: {number: "4711", family: Heron}
    laboratory: {name: Test Bench, city: Ford, country: PRT}
"""


def test_a_destination_of_the_us_shape_that_has_everything_is_read(tmp_path: Path) -> None:
    """The fields that the guide's table calls R and that only the site can fill."""
    read = settings.read_settings(write(tmp_path, GOOD.replace("    port: 2575\n", US, 1)))
    assert read.destinations[0].format == "oru_r01_us"


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "words"),
    [
        ("    sending_facility: LAB7\n", "", 22, "destinations[0].sending_facility", "MSH-4"),
        ("    message_profile: Agreed^^2.999.5^ISO\n", "", 22, "destinations[0].message_profile", "MSH-21"),
        ('    provider: {number: "4711", family: Heron}\n', "", 22, "destinations[0].provider", "ORC-12 and OBR-16"),
        ("    laboratory: {name: Test Bench, city: Ford, country: PRT}\n", "", 22, "destinations[0].laboratory", "OBX-23"),
        (", city: Ford", "", 30, "destinations[0].laboratory.city", "address, OBX-24"),
        (
            "    sending_facility: LAB7\n",
            "    sending_facility: LAB7\n    observed_at: empty\n",
            28,
            "destinations[0].observed_at",
            "OBR-7",
        ),
        ("country: PRT", "country: Portugal", 30, "destinations[0].laboratory.country", "should match pattern"),
    ],
)
def test_what_the_us_shape_lacks_is_named_with_its_key(
    tmp_path: Path, old: str, new: str, line: int, key: str, words: str
) -> None:
    """A message without it would be turned away strip by strip: it stops the start instead."""
    assert old in US
    path = write(tmp_path, GOOD.replace("    port: 2575\n", US.replace(old, new, 1), 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)


def test_other_hosts_need_to_be_meant(tmp_path: Path) -> None:
    """Pages without accounts must not be reachable from other machines by accident."""
    with pytest.raises(SettingsError, match="allow_other_hosts"):
        settings.read_settings(write(tmp_path, GOOD + "pages:\n  host: 0.0.0.0\n"))
    meant = GOOD + "pages:\n  host: 0.0.0.0\n  allow_other_hosts: true\n  host_names: [bench.example]\n"
    assert settings.read_settings(write(tmp_path, meant)).pages.host == "0.0.0.0"


def test_secrets_come_from_the_environment_or_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The configuration only names a secret; a missing one is an error that names the variable."""
    secret = settings.Secret(env="PADPOST_TEST_TOKEN")
    with pytest.raises(SettingsError, match="PADPOST_TEST_TOKEN_FILE"):
        secret.value()
    (tmp_path / "token").write_text("from-file\n", encoding="utf-8")
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "token"))
    assert secret.value() == "from-file"
    monkeypatch.setenv("PADPOST_TEST_TOKEN", "")
    assert secret.value() == "from-file"
    monkeypatch.setenv("PADPOST_TEST_TOKEN", "from-env")
    assert secret.value() == "from-env"


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (b"\n", "The secret PADPOST_TEST_TOKEN is empty"),
        (b"\x89PNG", "cannot be read from .*token: byte 1 is not UTF-8"),
        (None, "cannot be read from .*token: No such file or directory"),
    ],
)
def test_a_secret_file_that_holds_none_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, held: bytes | None, words: str
) -> None:
    """An empty token would be sent as one, and the receiver's refusal would puzzle."""
    if held is not None:
        (tmp_path / "token").write_bytes(held)
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "token"))
    with pytest.raises(SettingsError, match=words):
        settings.Secret(env="PADPOST_TEST_TOKEN").value()


def test_missing_file_is_an_error_with_its_name(tmp_path: Path) -> None:
    """A mistyped path is answered, not traced."""
    with pytest.raises(SettingsError, match=r"absent\.yaml:1"):
        settings.read_settings(tmp_path / "absent.yaml")


FHIR_SITE = (
    GOOD[: GOOD.index("destinations:")]
    + """\
destinations:
  - name: record
    kind: fhir
    base_url: http://127.0.0.1:9/r4
    result_system: urn:example:results
"""
)
LABORATORY = "    laboratory: {name: Reedbank, number: '0815', authority: urn:oid:2.999.4}\n"


@pytest.mark.parametrize(
    ("more", "line", "key", "words"),
    [
        (
            "    format: fhir_us\n    observed_at: empty\n",
            27,
            "destinations[0].observed_at",
            "US Core has a time with every result",
        ),
        (
            f"    format: fhir_eu\n    observed_at: empty\n{LABORATORY}",
            27,
            "destinations[0].observed_at",
            "HL7 Europe laboratory has a time with every result: use observed_at: analysis",
        ),
        ("    format: fhir_eu\n", 22, "destinations[0]", "fhir_eu needs laboratory: {name: ...}"),
        (
            "    laboratory: {name: Reedbank, number: '0815', authority: CLINIC}\n",
            26,
            "destinations[0].laboratory",
            "laboratory.number needs laboratory.authority: the URI",
        ),
        ("    laboratory: {name: Reedbank, number: '0815'}\n", 26, "destinations[0].laboratory", "the URI of who assigned it"),
        (
            "    message_profile: urn:a\n",
            26,
            "destinations[0].message_profile",
            "'urn:a' is no profile of FHIR: write Observation=URL",
        ),
        (
            "    message_profile: Observation=urn:a Patient=urn:b\n",
            26,
            "destinations[0].message_profile",
            "'Patient=urn:b' is no profile",
        ),
    ],
)
@pytest.mark.parametrize("kind", ["fhir", "folder"])
def test_what_a_guide_lacks_is_an_error_at_load(tmp_path: Path, kind: str, more: str, line: int, key: str, words: str) -> None:
    """A destination that could never send a sound message is no surprise of the first strip: file, line and key are named."""
    text = FHIR_SITE + more
    if kind == "folder":
        text = text.replace("kind: fhir\n    base_url: http://127.0.0.1:9/r4\n", "kind: folder\n    path: out\n")
        text += "" if "format:" in more else "    format: fhir\n"
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(write(tmp_path, text))
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    "more",
    [
        f"    format: fhir_eu\n{LABORATORY}",
        "    format: fhir_eu\n    laboratory: {name: Reedbank}\n",
        "    format: fhir_us\n    message_profile: Observation=http://h.example/a|1.0 Observation=urn:b Specimen=urn:c\n",
        "    format: fhir\n    observed_at: empty\n",
    ],
)
def test_what_a_guide_needs_is_enough(tmp_path: Path, more: str) -> None:
    """No more is asked for."""
    (destination,) = settings.read_settings(write(tmp_path, FHIR_SITE + more)).destinations
    assert destination.format in more


def test_the_guides_rules_are_not_hl7s(tmp_path: Path) -> None:
    """An HL7 name of a profile or an authority is no URI, and needs to be none there."""
    more = "    message_profile: LAB_RU\n    laboratory: {name: Reedbank, number: '0815', authority: CLIA}\n"
    (destination,) = settings.read_settings(write(tmp_path, GOOD + more)).destinations
    assert destination.laboratory is not None
    assert (destination.message_profile, destination.laboratory.authority) == ("LAB_RU", "CLIA")


def test_the_how_tos_destination_is_read(tmp_path: Path) -> None:
    """What a site copies from docs/how-to/send-to-a-fhir-server.md must work as it stands."""
    page = (Path(__file__).parents[1] / "docs/how-to/send-to-a-fhir-server.md").read_text(encoding="utf-8")
    example = page.partition("```yaml\n")[2].partition("```")[0]
    (destination,) = settings.read_settings(write(tmp_path, GOOD[: GOOD.index("destinations:")] + example)).destinations
    assert isinstance(destination, settings.FhirDestination)
    assert (destination.format, destination.pointers.patient, destination.pointers.order) == ("fhir_eu", "conditional", "logical")
