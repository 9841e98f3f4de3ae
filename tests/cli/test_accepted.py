"""``padpost check --accept``: a changed table shows in what the examples become, and a person accepts it."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest

from tests.cli.commands import CHART, ROOT, SITE, here, site

TERN = "own/profiles/tern.yaml"
KEPT = "own/accepted/tern.json"


def clinic(folder: Path) -> Path:
    """Make a site that has its own copy of the profile that it uses; give its configuration."""
    path = folder / TERN
    path.parent.mkdir(parents=True)
    path.write_text((ROOT / "mappings/profiles/tern.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    return site(folder, f"{SITE}mappings: own\n")


def change(folder: Path, name: str, old: str, new: str) -> None:
    """Copy a shipped mapping file into the site's folder with one text changed."""
    text = (ROOT / "mappings" / name).read_text(encoding="utf-8")
    assert text.count(old) == 1
    path = folder / "own" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_what_was_accepted_stays_accepted(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Nothing kept: check is silent on it. Accepted: check says ok, and accepting again finds nothing new, on any day."""
    config = clinic(tmp_path)
    assert "output of profile" not in here("check", "--config", config, "--no-oracles", capfd=capfd)[1]
    status, output, errors = here("check", "--config", config, "--accept", capfd=capfd)
    assert (status, errors) == (0, "")
    assert output.splitlines()[-1] == f"output of profile tern: accepted, kept in {tmp_path / KEPT}"
    kept = (tmp_path / KEPT).read_text(encoding="utf-8")
    strips = json.loads(kept)
    assert [sorted(strip) for strip in strips] == [["findings", "messages", "outcome"]] * len(strips)
    assert here("check", "--config", config, "--accept", capfd=capfd) == (0, "output of profile tern: as it was accepted\n", "")
    lines = here("check", "--config", config, "--no-oracles", capfd=capfd)[1].splitlines()
    assert "output of profile tern: ok" in lines


def test_each_destination_is_kept_in_its_own_form(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """HL7 by segment, FHIR as its Bundle: the same strip, and nothing in it that another run would make another way."""
    clinic(tmp_path)
    config = site(tmp_path, f"{SITE}{CHART}mappings: own\n")
    assert here("check", "--config", config, "--accept", capfd=capfd)[0] == 0
    messages = [strip["messages"] for strip in json.loads((tmp_path / KEPT).read_text(encoding="utf-8"))]
    assert [sorted(each) for each in messages] == [[], ["chart", "outbox"], []]  # a control, a patient's strip, a copy
    assert [segment.partition("|")[0] for segment in messages[1]["outbox"][:4]] == ["MSH", "PID", "ORC", "OBR"]
    bundle = json.loads("".join(messages[1]["chart"]), parse_float=Decimal)
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    values = [entry["resource"]["valueQuantity"]["value"] for entry in bundle["entry"] if "valueQuantity" in entry["resource"]]
    kept = [line.strip().rstrip(",") for line in messages[1]["chart"]]
    assert Decimal("1.010") in values
    assert all(f'"value": {value}' in kept for value in values)  # digit for digit: 1.010 that became 1.01 would be a change
    assert here("check", "--config", config, "--accept", capfd=capfd) == (0, "output of profile tern: as it was accepted\n", "")


def test_a_changed_name_is_told_until_it_is_accepted(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Glucose under another name is another message: check fails and shows both lines; --accept shows them and keeps the new."""
    config = clinic(tmp_path)
    here("check", "--config", config, "--accept", capfd=capfd)
    before = (tmp_path / KEPT).read_text(encoding="utf-8")
    change(tmp_path, "catalogue.yaml", 'text: "Glucose [Presence] in Urine by Automated test strip"', 'text: "Sugar in Urine"')
    status, output, _ = here("check", "--config", config, "--no-oracles", capfd=capfd)
    assert status == 1
    assert "output of profile tern: it changed since it was accepted; padpost check --accept shows and accepts it" in output
    lines = output.splitlines()
    gone = [line for line in lines if line.startswith("-") and "Glucose [Presence]" in line]
    come = [line for line in lines if line.startswith("+") and "Sugar in Urine" in line]
    assert gone
    assert [line[1:].replace("Sugar in Urine", "Glucose [Presence] in Urine by Automated test strip") for line in come] == [
        line[1:] for line in gone
    ]
    assert (tmp_path / KEPT).read_text(encoding="utf-8") == before
    status, output, _ = here("check", "--config", config, "--accept", capfd=capfd)
    assert status == 0
    assert set(gone) | set(come) <= set(output.splitlines())
    assert (tmp_path / KEPT).read_text(encoding="utf-8") != before
    assert here("check", "--config", config, "--no-oracles", capfd=capfd)[0] == 0


def test_a_wrong_example_is_not_accepted(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """An example that is not read as it says is a fault to mend, not an output to get used to."""
    config = clinic(tmp_path)
    text = (tmp_path / TERN).read_text(encoding="utf-8")
    assert text.count('number: "2"') == 1
    (tmp_path / TERN).write_text(text.replace('number: "2"', 'number: "7"'), encoding="utf-8")
    status, output, errors = here("check", "--config", config, "--accept", capfd=capfd)
    assert (status, output) == (2, "")
    assert errors.endswith("and expect says '7'. Mend the profile or its example first: a wrong output is not accepted.\n")
    assert not (tmp_path / KEPT).exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Output is accepted for a site. Name its configuration: --config site.yaml."),
        (SITE, "mappings: The site has no folder for its mapping files. Add mappings: ./mappings."),
    ],
)
def test_there_must_be_a_place_to_keep_it(tmp_path: Path, capfd: pytest.CaptureFixture[str], text: str, said: str) -> None:
    """The shipped files are not the site's to write beside."""
    chosen = ("--config", site(tmp_path, text)) if text else ()
    assert here("check", *chosen, "--accept", capfd=capfd) == (2, "", f"padpost: {said}\n")


def test_a_kept_output_that_is_no_text_is_told(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A spoilt file is never taken for an accepted output."""
    config = clinic(tmp_path)
    (tmp_path / KEPT).parent.mkdir()
    (tmp_path / KEPT).write_bytes(b"\xff\xfe")
    status, _, errors = here("check", "--config", config, "--no-oracles", capfd=capfd)
    assert (status, errors) == (2, f"padpost: {tmp_path / KEPT} cannot be read. Remove it, and accept the output anew.\n")
