"""The real service as a program of its own: started, killed, and asked for its health over HTTP."""

from __future__ import annotations

import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.faults import known_plans
from tests.faults.feeders import KEY

PATIENCE_S = 240.0  # a machine that is busy with other work may need this long for a start
SITE = """\
site: {{name: Fault Clinic, zone: {zone}, data: "{data}"}}
pages: {{port: {port}{pages}}}
accounts: {{sign_in: {sign_in}}}
patient_ids: {{pattern: '\\d{{8}}', authority: TEST, system: "urn:example:test"}}
checks: {{rerun_window_minutes: 0, oldest_days: 3650}}
log: json
sources:
{sources}destinations:
{destinations}"""


PORTS = range(
    15_000, 32_000
)  # below what the system gives to callers (Linux: net.ipv4.ip_local_port_range), who would take it meanwhile


def free_port() -> int:
    """Give a loopback port that is free just now, and that nobody gets who asks the system for any."""
    while True:
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", random.choice(PORTS)))
            return int(probe.getsockname()[1])


class Served:
    """``padpost serve`` on a site configuration in ``home``; its store is in ``data``. One process at a time."""

    def __init__(
        self, home: Path, *, data: Path, sources: str, destinations: str, zone: str = "UTC", host: str = "127.0.0.1"
    ) -> None:
        """``host`` is where its pages are met; other than loopback where it lives in a network of its own."""
        self.port = free_port()
        self.host = host
        self._home = home
        self._data = None if "database:" in destinations else data  # a store of its own, that is no PostgreSQL
        self.site = home / "site.yaml"
        self._pid_file = home / "service.pid"
        self._log = home / "service.log"
        self._process: subprocess.Popen[bytes] | None = None
        pages = "" if host == "127.0.0.1" else f', host: {host}, allow_other_hosts: true, host_names: ["{host}"]'
        self.site.write_text(
            SITE.format(
                data=data,
                port=self.port,
                pages=pages,
                sign_in="none" if host == "127.0.0.1" else "local",
                sources=sources,
                destinations=destinations,
                zone=zone,
            ),
            encoding="utf-8",
        )
        end_orphan(home)

    def start(self, *, under: Sequence[str] = ()) -> None:
        """Start it; the log begins anew. ``under`` is a command that runs it in the same process."""
        if self._data is not None:
            known_plans.know(self._data)
        command = [*under, "env", f"POST_KEY={KEY}", sys.executable, "-m", "bridge", "serve", "--config", str(self.site)]
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        self._pid_file.write_text(str(self._process.pid))

    def wait_ready(self) -> None:
        """Wait until it says that it is ready. Raises AssertionError if it ends first, or does not come."""
        until = time.monotonic() + PATIENCE_S
        while self.health()[0] != 200:
            assert self.is_running, f"the service ended by itself: {self.log[-2000:]}"
            assert time.monotonic() < until, f"the service did not get ready: {self.log[-2000:]}"
            time.sleep(0.02)

    def health(self) -> tuple[int, dict[str, Any]]:
        """Give the status and the answer of /health/ready; status 0 if nobody answers."""
        talk = http.client.HTTPConnection(self.host, self.port, timeout=5)
        try:
            talk.request("GET", "/health/ready")
            answer = talk.getresponse()
            return answer.status, json.loads(answer.read())
        except (OSError, http.client.HTTPException):
            return 0, {}
        finally:
            talk.close()

    @property
    def pid(self) -> int:
        """Give the process's id; 0 before the first start."""
        return self._process.pid if self._process is not None else 0

    @property
    def is_running(self) -> bool:
        """Say whether the process lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def log(self) -> str:
        """Give what it has logged since its start."""
        return self._log.read_text(encoding="utf-8", errors="replace")

    @property
    def last_word(self) -> str:
        """Give the event that it logged last; "" for none."""
        for line in reversed(self.log.splitlines()):
            with suppress(ValueError, TypeError, KeyError):
                return str(json.loads(line)["event"])
        return ""

    def strike(self) -> None:
        """Send SIGKILL and go on at once; may be called from any thread, and twice."""
        if self._process is not None:
            with suppress(ProcessLookupError):
                os.kill(self._process.pid, signal.SIGKILL)  # a zombie until ``kill`` reaps it, so the number is still ours

    def send(self, what: signal.Signals) -> None:
        """Send a signal, to stop it for a while or let it go on."""
        os.kill(self.pid, what)

    def wait_dead(self, bound_s: float) -> bool:
        """Wait until it is dead, by whatever hand; False if it lives on."""
        until = time.monotonic() + bound_s
        while self.is_running:
            if time.monotonic() > until:
                return False
            time.sleep(0.01)
        return True

    def kill(self) -> None:
        """SIGKILL, and wait until it is dead. Raises AssertionError if it had ended by itself."""
        assert self._process is not None
        self._process.kill()
        code = self._process.wait(PATIENCE_S)
        self._pid_file.unlink()
        assert code == -signal.SIGKILL, f"the service ended by itself with {code}: {self.log[-2000:]}"

    def stop(self) -> None:
        """SIGTERM, and wait for a clean end. Raises AssertionError if it is not clean."""
        assert self._process is not None
        self._process.terminate()
        code = self._process.wait(PATIENCE_S)
        self._pid_file.unlink()
        assert code == 0, f"the service stopped with {code}: {self.log[-2000:]}"
        self._remember()

    def end(self) -> None:
        """Leave nothing running, whatever state it is in."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._remember()

    def _remember(self) -> None:
        if self._data is not None:
            known_plans.remember(self._data)


def end_orphan(home: Path) -> None:
    """End the service that a killed campaign left over ``home``, if there is one."""
    pid_file = home / "service.pid"
    if not pid_file.exists():
        return
    pid = int(pid_file.read_text())
    with suppress(OSError):
        if str(home / "site.yaml").encode() in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
            os.kill(pid, signal.SIGCONT)  # a frozen one dies of SIGKILL too, but its tracer must let go first
            os.kill(pid, signal.SIGKILL)
            until = time.monotonic() + PATIENCE_S
            while Path(f"/proc/{pid}").exists() and time.monotonic() < until:
                time.sleep(0.02)
    pid_file.unlink()
