"""What services of earlier tests were told of their message plans, given to those that start later: a store keeps it for a restart, this for a run.

A plan takes the oracles a second of the processor, a service has a dozen, and each test here begins with an empty store. Only passes are kept, by the
plan's digest, in a file of the run that tests/conftest.py names. A campaign that is played by hand has none and asks for itself.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, suppress
from pathlib import Path

from bridge import clock
from bridge.store.commands import KeepPlanCheck
from bridge.store.sqlite import FILE, SqliteStore

NAMED = "PADPOST_TESTS_KNOWN_PLANS"  # read by these tests alone


def know(data: Path) -> None:
    """Begin the store in ``data`` with what is known; nothing happens where there is a store, or nothing is known."""
    known = os.environ.get(NAMED, "")
    if not known or (data / FILE).exists():
        return
    with closing(_opened(known)) as run:
        digests = [digest for (digest,) in run.execute("SELECT digest FROM passed")]
    if digests:
        store = SqliteStore(data, now=clock.now)
        try:
            for kept in [store.submit(KeepPlanCheck(digest=digest, fault="", at=clock.now())) for digest in digests]:
                kept.result()
        finally:
            store.close()


def remember(data: Path) -> None:
    """Keep what the store in ``data`` knows. No service has it open; nothing of it is touched, since what a killed one left may be what a test looks at."""
    known = os.environ.get(NAMED, "")
    if not known or not (data / FILE).exists():
        return
    with tempfile.TemporaryDirectory() as copy:
        for part in data.glob(f"{FILE}*"):
            shutil.copy(part, copy)
        with suppress(sqlite3.Error), closing(sqlite3.connect(Path(copy) / FILE)) as store:
            digests = store.execute("SELECT digest FROM plan_checks WHERE fault = ''").fetchall()
            with closing(_opened(known)) as run, run:
                run.executemany("INSERT OR IGNORE INTO passed (digest) VALUES (?)", digests)


def _opened(known: str) -> sqlite3.Connection:
    run = sqlite3.connect(known, timeout=60)
    run.execute("CREATE TABLE IF NOT EXISTS passed (digest TEXT PRIMARY KEY)")
    return run
