"""What holds for every test: a skipped test fails the run, and those that start processes share one worker."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from xdist.remote import Producer
from xdist.scheduler.loadscope import LoadScopeScheduling

from tests.peers.postgres import PostgresServer

TESTS = Path(__file__).parent
# Rooms whose tests compute and wait for nobody. All others start processes, listen or draw pages: side by side they would
# meet each other's load, so one worker has them all (pytest-xdist).
PURE = frozenset({"bench", "check", "coding", "identity", "lifecycle", "read", "render", "specification", "tables", "wire"})
PURE_FILES = frozenset({"test_every_token.py", "test_pipeline.py", "test_model.py", "test_trial.py"})

_skipped: list[str] = []


class ByRoom(LoadScopeScheduling):  # type: ignore[misc]  # pytest-xdist comes without types
    """Gives a worker whole rooms: a file of a pure room is one piece of work, since its tests share what they made; all others are one piece."""

    def _split_scope(self, nodeid: str) -> str:
        place = Path(nodeid.partition("::")[0]).relative_to(TESTS.name)
        return place.as_posix() if place.parts[0] in PURE or place.name in PURE_FILES else "with others"


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> ByRoom:
    """Share the tests out by room; groups by mark end up in tests' names, which pytest-xdist 3.8 does not manage with pytest 9.2."""
    return ByRoom(config, log)


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
