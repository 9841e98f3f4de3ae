"""What ``check`` says of signatures: who signed the tables of a live destination, or that it stays shut, and what changed."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge import settings
from bridge.cli.signatures import changed, live_destinations, signature_lines, unsigned
from bridge.sign_off import add_signature, read_signatures
from bridge.site import tables_for
from bridge.tables.signatures import Signature
from bridge.tables.types import Tables
from tests.cli.commands import CHART, SITE, here, site

LIVE = SITE.replace("processing_id: T", "processing_id: P")
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def read(folder: Path, text: str = LIVE) -> tuple[settings.Settings, Tables]:
    config = settings.read_settings(site(folder, text))
    return config, tables_for(config)


def sign(config: settings.Settings, tables: Tables, words: str = "") -> None:
    add_signature(config.signed_off, Signature(tables=tables.digest, by="Ana Prado", at=NOON, words=words), tables)


def test_only_live_destinations_need_a_signature(tmp_path: Path) -> None:
    """P, which is what a destination is that says nothing; not T and not D."""
    config, tables = read(tmp_path, SITE + CHART.replace("processing_id: T", "processing_id: D"))
    assert (live_destinations(config), list(signature_lines(config, tables)), list(unsigned(config, tables))) == ([], [], [])
    config, _ = read(tmp_path, SITE.replace("    processing_id: T\n", "") + CHART)
    assert live_destinations(config) == ["outbox"]


def test_who_signed_is_said_in_the_sites_time(tmp_path: Path) -> None:
    """With the words, for each live destination; Lisbon is on UTC in November."""
    config, tables = read(tmp_path, LIVE + CHART.replace("processing_id: T", "processing_id: P"))
    sign(config, tables, "each step of plover-12")
    who = "signed by Ana Prado, 2026-11-25 12:00+00:00: each step of plover-12"
    assert list(signature_lines(config, tables)) == [
        (f"destination {name} is live; its tables, {tables.digest[:12]}, {who}", "") for name in ("outbox", "chart")
    ]
    assert list(unsigned(config, tables)) == []


def test_who_has_not_signed_is_warned_with_what_changed(tmp_path: Path) -> None:
    """Nothing to compare with at first; later the lines that differ from the last signed tables."""
    config, first = read(tmp_path)
    (words,) = unsigned(config, first)
    assert words.splitlines() == [
        f"outbox is live and stays shut: nobody has signed the tables in use, {first.digest[:12]} (padpost sign-off)",
        "  no other signed tables are kept to compare with: the whole table set is to be checked",
    ]
    sign(config, first)
    config, second = read(tmp_path, LIVE.replace(r"'\d{8}'", r"'\d{9}'"))
    (words,) = unsigned(config, second)
    assert words.splitlines()[1:] == [
        f"  changed since the tables {first.digest[:12]}, signed by Ana Prado, 2026-11-25 12:00+00:00:",
        r'''    the site's file: patient_ids.pattern: was "\\d{8}", is "\\d{9}"''',
    ]
    assert list(changed(config, second, read_signatures(config.signed_off))) == words.splitlines()[1:]


@pytest.mark.parametrize("text", [LIVE, SITE])
def test_a_spoilt_file_is_a_fault(tmp_path: Path, capfd: pytest.CaptureFixture[str], text: str) -> None:
    """Told in its place with its line, and again at the end, and the check fails: whoever signed cannot be told."""
    (tmp_path / "signed_off.yaml").write_text("signed_off:\n  - tables: 0f\n", encoding="utf-8")
    status, output, errors = here("check", "--config", site(tmp_path, text), "--no-oracles", capfd=capfd)
    assert (status, errors) == (1, "")
    fault = (
        f"signatures: {tmp_path}/signed_off.yaml:2: signed_off[0].tables: String should match pattern '^[0-9a-f]{{64}}$'."
        " It says '0f'. Correct the value."
    )
    assert [line for line in output.splitlines() if "sign" in line] == [fault, f"TO PUT RIGHT: {fault}"]


def test_check_says_it_and_passes(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """It is what a person runs before signing, so that nobody signed yet is no fault; it must be seen all the same."""
    config = site(tmp_path, LIVE)
    status, output, _ = here("check", "--config", config, "--no-oracles", capfd=capfd)
    assert status == 0
    assert "warning: outbox is live and stays shut: nobody has signed the tables in use, " in output
    sign(*read(tmp_path))
    status, output, _ = here("check", "--config", config, "--no-oracles", capfd=capfd)
    assert status == 0
    assert "stays shut" not in output
    assert "signed by Ana Prado, 2026-11-25 12:00+00:00: ok\n" in output
