"""The ways out: a destination that could never send a sound message is an error at load."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import FHIR_SITE, GOOD, write


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("    port: 2575", "    port: 257500"), 25, "destinations[0].port", "less than or equal to 65535"),
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


LABORATORY = "    laboratory: {name: Reedbank, number: '0815', authority: urn:oid:2.999.4}\n"


@pytest.mark.parametrize(
    ("more", "line", "key", "words"),
    [
        (
            "    withdrawal: D\n",
            26,
            "destinations[0].withdrawal",
            "in FHIR what is taken back stays, as entered-in-error: leave it out",
        ),
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
    page = (Path(__file__).parents[2] / "docs/how-to/send-to-a-fhir-server.md").read_text(encoding="utf-8")
    example = page.partition("```yaml\n")[2].partition("```")[0]
    (destination,) = settings.read_settings(write(tmp_path, GOOD[: GOOD.index("destinations:")] + example)).destinations
    assert isinstance(destination, settings.FhirDestination)
    assert (destination.format, destination.pointers.patient, destination.pointers.order) == ("fhir_eu", "conditional", "logical")


@pytest.mark.parametrize("key", ["application_answer: ER", "application_s: 60", "answers_on: {port: 2576}"])
def test_what_enhanced_mode_alone_has_is_an_error_without_it(tmp_path: Path, key: str) -> None:
    """A site that waits for a second answer that nobody was asked for would wait in vain."""
    with pytest.raises(SettingsError, match="needs acknowledgement: enhanced"):
        settings.read_settings(write(tmp_path, f"{GOOD}    {key}\n"))
    (destination,) = settings.read_settings(write(tmp_path, f"{GOOD}    acknowledgement: enhanced\n    {key}\n")).destinations
    assert isinstance(destination, settings.MllpDestination)
    assert destination.acknowledgement == "enhanced"


def test_nothing_can_be_made_to_mean_accepted(tmp_path: Path) -> None:
    """Whether a result is there is the receiver's to say; the shape offers three other meanings."""
    with pytest.raises(SettingsError, match="try again"):
        settings.read_settings(write(tmp_path, f"{GOOD}    answers: [{{when: AE, means: accepted}}]\n"))
    (destination,) = settings.read_settings(
        write(tmp_path, f"{GOOD}    answers: [{{when: AE, means: try again}}]\n")
    ).destinations
    assert isinstance(destination, settings.MllpDestination)
    assert [(line.when, line.means) for line in destination.answers] == [("AE", "try again")]


@pytest.mark.parametrize("tail", ["?key=s3cret", "#top", "/?x"])
def test_a_base_address_ends_where_it_ends(tail: str) -> None:
    """Behind a query or a fragment every request would go to another address than was meant; what stands in it is not repeated."""
    with pytest.raises(ValidationError, match=r"a query .* or a fragment .* stands in the base address") as caught:
        TypeAdapter(settings.Destination).validate_python(
            {"kind": "fhir", "name": "chart", "base_url": f"https://chart.example/r4{tail}", "result_system": "urn:t:r"}
        )
    assert caught.value.errors()[0]["type"] == "quiet"


def test_a_hook_has_no_fragment_and_may_have_a_query() -> None:
    """A fragment is never sent, so whoever wrote it meant something else; a query is part of the address that is signed."""
    given = {"kind": "hook", "name": "hook", "signing": {"keys": "keys"}}
    made = TypeAdapter(settings.Destination)
    with pytest.raises(ValidationError, match=r"a fragment .* is never sent"):
        made.validate_python({**given, "url": "https://hook.example/in#x"})
    hook = made.validate_python(
        {**given, "url": "https://hook.example/in?key=1", "answers": [{"when": "hook 500", "means": "refused"}]}
    )
    assert isinstance(hook, settings.HookDestination)
    assert (hook.url, [(line.when, line.means) for line in hook.answers]) == (
        "https://hook.example/in?key=1",
        [("hook 500", "refused")],
    )
