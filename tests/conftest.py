"""What holds for every test: a skipped test fails the run, and those that load the whole machine share two workers."""

from __future__ import annotations

import asyncio
import gc
import os
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvloop
from xdist.remote import Producer
from xdist.scheduler.loadscope import LoadScopeScheduling

# The asserts of what tests share explain themselves as a test module's do. Said here, before any of them is imported
for shared in (
    *(
        f"{room}_contract"
        for room in (
            "account",
            "addition",
            "audit",
            "clock",
            "correction",
            "day_log",
            "envelope",
            "gate",
            "life",
            "look_back",
            "lot",
            "month",
            "number",
            "quick",
            "operator",
            "registered",
            "report",
            "replacement",
            "signal",
            "stop",
            "telling",
            "today",
        )
        for room in ("audit", "clock", "day_log", "gate", "life", "lot", "month", "number", "operator", "signal", "telling")
    ),
    "contract",
    "machine",
):
    pytest.register_assert_rewrite(f"tests.store.{shared}")

from bridge.store import migrate, sqlite  # noqa: E402 - as above
from tests.faults import known_plans  # noqa: E402 - as above
from tests.peers.postgres import PostgresServer  # noqa: E402 - as above

TESTS = Path(__file__).parent
# Rooms whose tests load the whole machine, or lean on time: all at once they would meet each other's load, so two workers have them. Each mostly waits.
HEAVY = {"faults": "faults", "browser": "whole", "demo": "whole", "journey": "whole"}
GARBAGE = 20_000  # ours: new objects between two looks for lost cycles, Python's 700 being for a small program

_skipped: list[str] = []

with warnings.catch_warnings():  # Python 3.14 wants the loop named at every asyncio.run; here each test is to have the service's
    warnings.simplefilter("ignore", DeprecationWarning)
    asyncio.set_event_loop_policy(uvloop.EventLoopPolicy())


class ByRoom(LoadScopeScheduling):  # type: ignore[misc]  # pytest-xdist comes without types
    """Gives a worker whole files, since the tests of one share what they made; the heavy rooms are two pieces."""

    def _split_scope(self, nodeid: str) -> str:
        place = Path(nodeid.partition("::")[0]).relative_to(TESTS.name)
        return HEAVY.get(place.parts[0], place.as_posix())


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> ByRoom:
    """Share the tests out by room; groups by mark end up in tests' names, which pytest-xdist 3.8 does not manage with pytest 9.2."""
    return ByRoom(config, log)


def pytest_configure(config: pytest.Config) -> None:
    """Make room for what services are told of their message plans: once a run, for all workers, which inherit the name."""
    if known_plans.NAMED not in os.environ:
        folder = tempfile.mkdtemp(prefix="padpost-plans-")
        os.environ[known_plans.NAMED] = str(Path(folder) / "known.sqlite")
        config.add_cleanup(lambda: shutil.rmtree(folder))


def pytest_collection_finish() -> None:
    """Set aside what stands now: looking through it for lost cycles, again and again, took a sixth of the time of many rooms."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(GARBAGE, 20, 20)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Remember every skip, whoever asked for it."""
    if report.skipped:
        _skipped.append(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail the run if anything was skipped: a check that did not run proves nothing."""
    if _skipped:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the skipped tests."""
    for name in _skipped:
        terminalreporter.write_line(f"skipped, which counts as failed here: {name}", red=True)


@pytest.fixture(scope="session", autouse=True)
def _new_stores_are_copies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Make a new store's file of one that the migrations have made, instead of running them for each: 1 ms for 120, and some thousand tests begin with an empty store.

    A file that is there is brought forward as always. The migrations themselves: tests/store/test_migrate.py; programs that are started run them.
    """
    empty = tmp_path_factory.mktemp("migrated") / "empty.sqlite"

    def made_or_migrated(file: Path) -> None:
        if not file.exists():
            if not empty.exists():
                migrate.migrate(empty)
            shutil.copyfile(empty, file)
        migrate.migrate(file)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sqlite, "migrate", made_or_migrated)
        yield


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """Give a PostgreSQL server of the tests' own; it starts when the first test asks for it."""
    server = PostgresServer()
    yield server
    server.close()


@pytest.fixture
def own() -> Iterator[PostgresServer]:
    """Give a PostgreSQL server that this test alone may stop and kill."""
    server = PostgresServer()
    yield server
    server.close()
