"""What holds for every test: a skipped test fails the run."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.peers.postgres import PostgresServer

_skipped: list[str] = []


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
