"""What holds for every test: a skipped test fails the run, and those that start processes share one worker."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.peers.postgres import PostgresServer

TESTS = Path(__file__).parent
# Rooms whose tests compute and wait for nobody. All others start processes, listen or draw pages: side by side they would
# meet each other's load, so one worker has them all (pytest-xdist, --dist loadgroup).
PURE = frozenset({"bench", "check", "coding", "identity", "lifecycle", "read", "render", "specification", "tables", "wire"})
PURE_FILES = frozenset({"test_every_token.py", "test_pipeline.py", "test_model.py", "test_trial.py"})

_skipped: list[str] = []


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give each test its worker's group: a file of a pure room is one group, since its tests share what they made."""
    for item in items:
        place = item.path.relative_to(TESTS)
        is_pure = place.parts[0] in PURE or place.name in PURE_FILES
        item.add_marker(pytest.mark.xdist_group(place.as_posix() if is_pure else "with others"))


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
