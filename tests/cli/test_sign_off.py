"""``padpost sign-off``: it checks, shows what changed, and adds one row; or signs nothing and says why."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path

import pytest

from bridge import clock, settings
from bridge.sign_off import read_signatures
from bridge.site import tables_for
from tests.cli.commands import SITE, here, padpost, site

LIVE = SITE.replace("processing_id: T", "processing_id: P")


def test_it_checks_shows_and_signs(tmp_path: Path) -> None:
    """A process of its own that is asked nothing; twice, with one change between."""
    config = site(tmp_path, LIVE)
    before = clock.now().replace(microsecond=0)
    run = padpost("sign-off", "--config", config, "--by", "  Ana   Prado ", "--words", "each step, on paper", cwd=tmp_path)
    first = tables_for(settings.read_settings(config)).digest
    (signature,) = read_signatures(tmp_path / "signed_off.yaml")
    assert (run.returncode, run.stderr) == (0, b"")
    assert (signature.tables, signature.by, signature.words) == (first, "Ana Prado", "each step, on paper")
    assert before <= signature.at <= clock.now()
    assert signature.at.tzinfo == UTC
    lines = run.stdout.decode().splitlines()
    assert "messages for outbox, tern, plover-12, by the libraries: ok" in lines
    assert not [line for line in lines if "stays shut" in line]
    assert lines[-4:-2] == [
        f"tables {first}",
        "  no other signed tables are kept to compare with: the whole table set is to be checked",
    ]
    assert lines[-2].startswith("signed by Ana Prado, 20")
    assert lines[-2].endswith(f": each step, on paper; kept in {tmp_path}/signed_off.yaml")
    assert lines[-1] == "A running Padpost sees it within seconds: outbox."
    site(tmp_path, LIVE.replace("check_digit: luhn", "check_digit: mod11"))
    run = padpost("sign-off", "--config", config, "--by", "Rui Sá", cwd=tmp_path)
    assert run.returncode == 0
    assert '    the site\'s file: patient_ids.check_digit: was "luhn", is "mod11"' in run.stdout.decode().splitlines()
    assert [each.by for each in read_signatures(tmp_path / "signed_off.yaml")] == ["Ana Prado", "Rui Sá"]


@pytest.mark.parametrize("name", ["", " ", "\t\n"])
def test_a_signature_without_a_name_is_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str) -> None:
    """Nobody answers for it; nothing is checked or written."""
    status, output, errors = here("sign-off", "--config", site(tmp_path, LIVE), "--by", name, capfd=capfd)
    assert (status, output) == (2, "")
    assert errors == 'padpost: A signature needs the name of a person. Say who checked the tables: --by "Name".\n'
    assert [each.name for each in tmp_path.iterdir()] == ["site.yaml"]


def test_what_fails_its_checks_is_not_signed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A name that the character set lacks: check would fail, so nobody can put a name under it."""
    wrong = LIVE + '    charset: ASCII\n    receiving_facility: "Hospital de São Brás"\n'
    status, output, _ = here("sign-off", "--config", site(tmp_path, wrong), "--by", "Ana Prado", capfd=capfd)
    assert status == 1
    assert output.splitlines()[-2:] == ["1 thing to put right", "Nothing is signed: put this right first."]
    assert [each.name for each in tmp_path.iterdir()] == ["site.yaml"]


def test_a_spoilt_file_is_told_before_the_checks(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Rows that cannot be read are left as they are."""
    (tmp_path / "signed_off.yaml").write_text("signed_off:\n  - by: Ana\n", encoding="utf-8")
    status, output, errors = here("sign-off", "--config", site(tmp_path, LIVE), "--by", "Ana Prado", capfd=capfd)
    assert (status, output) == (2, "")
    assert errors.startswith(f"padpost: {tmp_path}/signed_off.yaml:2: signed_off[0].tables: The key 'tables' is missing.")


def test_a_site_may_sign_before_it_is_live(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Signed while testing, so that the day of going live needs one changed letter; and kept where the site says."""
    config = site(tmp_path, SITE + "signed_off: kept/who.yaml\n")
    status, output, _ = here("sign-off", "--config", config, "--by", "Ana Prado", capfd=capfd)
    assert (status, output.splitlines()[-1]) == (0, "No destination is live yet (processing_id: P).")
    assert [each.by for each in read_signatures(tmp_path / "kept" / "who.yaml")] == ["Ana Prado"]
    assert (tmp_path / "kept" / "who_tables").is_dir()
