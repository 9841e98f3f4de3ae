"""``padpost backup``: beside a running service, in words that an administrator needs."""

from __future__ import annotations

import re
from pathlib import Path

from tests.cli.commands import padpost, site
from tests.cli.test_serve import serving
from tests.faults.served import free_port


def test_it_copies_the_store_of_a_running_service(tmp_path: Path) -> None:
    """The service is not asked and goes on; the two files, the same disk and what else to keep are said."""
    with serving(tmp_path, free_port()) as process:
        run = padpost("backup", "--config", tmp_path / "site.yaml", "--to", tmp_path / "backups", cwd=tmp_path)
        assert process.poll() is None
    assert (run.returncode, run.stderr) == (0, b"")
    lines = run.stdout.decode().splitlines()
    (file,) = (tmp_path / "backups").glob("padpost-*.sqlite")
    assert re.fullmatch(rf"{file}: \d+ bytes, checked; 0 strips, 0 deliveries", lines[0])
    assert re.fullmatch(rf"{file}\.txt: its counts and its SHA-256, [0-9a-f]{{64}}", lines[1])
    assert lines[2:] == [
        "It lies on the store's own disk, and is lost with it: copy both files elsewhere.",
        "Keep the site's file, its mapping files and its signatures with it: they are not in the store.",
    ]


def test_without_a_store_it_says_so(tmp_path: Path) -> None:
    """A wrong path in a job that runs every night must not look like success."""
    run = padpost("backup", "--config", site(tmp_path), "--to", tmp_path / "backups", cwd=tmp_path)
    assert run.returncode == 2
    assert run.stderr.decode() == (
        f"padpost: There is no store at {tmp_path}/store/padpost.sqlite. Check site.data in the site configuration.\n"
    )
