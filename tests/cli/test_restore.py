"""``padpost restore``: it says what is lost and what a person must compare, and refuses what would make things worse."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.store.backup import back_up
from bridge.store.sqlite import FILE, SqliteStore
from tests.cli.commands import here, padpost, site
from tests.store import strips as s
from tests.store.strips import NOW, later


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    s.post(store, "A1", lane="1")
    s.keep(store, b"not judged")
    store.close()
    return back_up(tmp_path / "store" / FILE, tmp_path / "backups", now=later(1), spare_bytes=0)[0]


def test_it_says_what_is_lost_and_what_waits(tmp_path: Path, backup: Path) -> None:
    """A process of its own, over a store that is there."""
    run = padpost("restore", "--config", site(tmp_path), "--from", backup, "--replace", cwd=tmp_path)
    assert (run.returncode, run.stderr) == (0, b"")
    lines = run.stdout.decode().splitlines()
    (aside,) = (tmp_path / "store").glob("replaced-*")
    assert lines[0].startswith(
        f"The store in {tmp_path}/store is as it was at 2026-11-25 10:01:00 UTC. Identities go on under the epoch "
    )
    assert lines[1:] == [
        f"The store that was there is kept in {aside}.",
        (
            "Nothing is sent by itself that may have been sent since: 1 deliveries and 1 captures that were not judged wait on Rejected messages."
            " Look in the records, then discard what is there and send the rest again."
        ),
        (
            "What came in after 2026-11-25 10:01:00 UTC is not here. Send it again from the analyzers' memories and put the files into their folders"
            " again: what the backup has is known as a copy. What it has not may stand in the records already, under an identity that is lost:"
            " compare with the records before you send it again. The same holds for a row of Rejected messages that was dealt with since."
        ),
    ]


def test_a_store_that_is_there_stays(tmp_path: Path, backup: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """One forgotten word must not cost the store."""
    status, output, errors = here("restore", "--config", site(tmp_path), "--from", backup, capfd=capfd)
    assert (status, output) == (2, "")
    assert errors.startswith(f"padpost: There is a store in {tmp_path}/store already. Say --replace ")


@pytest.mark.parametrize("both", [True, False])
def test_it_needs_one_of_two_ways(tmp_path: Path, backup: Path, capfd: pytest.CaptureFixture[str], both: bool) -> None:
    """From a file, or in place; not both, not neither."""
    more: list[str | Path] = ["--from", backup, "--in-place"] if both else []
    status, output, errors = here("restore", "--config", site(tmp_path), *more, capfd=capfd)
    assert (status, output) == (2, "")
    assert errors == (
        "padpost: Say which backup: --from FILE. Or --in-place alone, where the store was put back by other means.\n"
    )


def test_in_place_after_a_snapshot(tmp_path: Path, backup: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The newest thing in the store says how old it is."""
    assert backup.exists()
    status, output, _ = here("restore", "--config", site(tmp_path), "--in-place", capfd=capfd)
    assert status == 0
    assert output.startswith(
        f"The store in {tmp_path}/store is as it was at 2026-11-25 10:00:00 UTC. Identities go on under the epoch "
    )
