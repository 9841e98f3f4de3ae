"""``padpost purge``: it says what would go, goes only where nobody else has the store, and gives the room back when asked."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.model import Answer, Coded
from bridge.store.commands import TrustClock
from bridge.store.sqlite import FILE, SqliteStore
from tests.cli.commands import SITE, here, padpost, site
from tests.store import strips as s

KEEP = SITE + "keep: {captures_days: 31, results_days: 31, events_days: 31}\n"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Give the folder of a store with a large delivered strip of forty days ago and a held one."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    long_ago = clock.now() - timedelta(days=40)
    of = s.reading("1")
    capture = s.keep(store, os.urandom(3_000_000), arrived_at=long_ago)
    made = s.result("R1")
    recorded = s.record(
        store, of, Coded(checked=s.checked(of), result=made), deliveries=[s.delivery(s.message(made, "R1rec"))], capture_id=capture,
        at=long_ago,
    )  # fmt: skip
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    other = s.reading("2")
    s.record(store, other, s.held(other), capture_id=s.keep(store, b"held", arrived_at=long_ago), at=long_ago)
    store.submit(TrustClock(at=clock.now() - timedelta(days=1))).result(s.WAIT)
    store.close()
    return tmp_path / "store"


def test_a_dry_run_beside_the_service_changes_nothing(tmp_path: Path, data: Path) -> None:
    """A process of its own, while another has the store."""
    store = SqliteStore(data, now=clock.now)
    run = padpost("purge", "--config", site(tmp_path, KEEP), "--dry-run", cwd=tmp_path)
    assert (run.returncode, run.stderr) == (0, b"")
    assert run.stdout.decode() == (
        "Would be purged now: the bytes of 1 captures; patients, values and messages of 1 captures' strips; 3 events."
        " What waits, is stopped or is not delivered stays.\n"
    )
    assert len(store.capture(1).capture.payload) == 3_000_000
    refused = padpost("purge", "--config", tmp_path / "site.yaml", cwd=tmp_path)
    assert refused.returncode == 2
    assert refused.stderr.decode().startswith(f"padpost: process {os.getpid()} on ")
    store.close()


def test_it_purges_and_gives_the_room_back(tmp_path: Path, data: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """What was purged leaves free pages, which are used again; --shrink gives them back to the disk."""
    before = (data / FILE).stat().st_size
    assert before > 3_000_000
    status, output, _ = here("purge", "--config", site(tmp_path, KEEP), "--shrink", capfd=capfd)
    assert status == 0
    assert output.splitlines() == ["Purged: 2 captures and strips; 3 events.", "The file had 3 MB and has 0 MB."]
    assert (data / FILE).stat().st_size < 800_000  # tables and indexes of an empty store
    store = SqliteStore(data, now=clock.now)
    assert [(strip.number, strip.purged_at is None) for strip in store.strips()] == [("2", True), ("1", False)]
    store.close()


def test_without_a_rule_nothing_goes(tmp_path: Path, data: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Nobody's data is purged by a default."""
    status, output, _ = here("purge", "--config", site(tmp_path), capfd=capfd)
    assert (status, output) == (
        0,
        "keep says nothing in the site configuration: everything is kept for ever, and nothing is purged.\n",
    )
    assert (data / FILE).stat().st_size > 3_000_000


def test_a_clock_that_jumped_purges_only_by_a_persons_word(tmp_path: Path, data: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Standing still for long and a clock that is wrong look alike: a person looks at the clock."""
    store = SqliteStore(data, now=clock.now)
    store.submit(TrustClock(at=clock.now() - timedelta(days=20))).result(s.WAIT)
    store.close()
    at = site(tmp_path, KEEP)
    status, output, said = here("purge", "--config", at, capfd=capfd)
    assert (status, output) == (2, "")
    assert said.startswith("padpost: Nothing is purged: the clock says ")
    status, output, _ = here("purge", "--config", at, "--dry-run", capfd=capfd)
    assert status == 0
    assert "Nothing is purged: the clock says " in output
    assert here("purge", "--config", at, "--clock-is-right", capfd=capfd)[0] == 0
    status, output, _ = here("purge", "--config", at, capfd=capfd)
    assert (status, output) == (0, "Purged: 0 captures and strips; 0 events.\n")
