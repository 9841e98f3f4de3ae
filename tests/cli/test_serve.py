"""``padpost serve`` as a service manager meets it: it starts, answers, ends cleanly, and refuses what it must not do."""

from __future__ import annotations

import http.client
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests.cli.commands import COMMAND, PATIENCE_S, SITE, environment, here, padpost, site
from tests.faults.served import free_port


def ask(port: int, path: str, host: str = "127.0.0.1") -> tuple[int, dict[str, object]]:
    """Give status and JSON of one GET; status 0 if nobody answers."""
    talk = http.client.HTTPConnection(host, port, timeout=5)
    try:
        talk.request("GET", path)
        answer = talk.getresponse()
        return answer.status, json.loads(answer.read())
    except (OSError, http.client.HTTPException):
        return 0, {}
    finally:
        talk.close()


@contextmanager
def serving(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Start the real service and wait until it is ready; it is ended if the test leaves it running."""
    (folder / "drops").mkdir(exist_ok=True)
    path = site(folder, SITE.replace("8765", str(port)) + "log: json\n")
    with (folder / "log").open("wb") as log, (folder / "console").open("wb") as console:
        process = subprocess.Popen(
            [*COMMAND, "serve", "--config", str(path)], cwd=folder, env=environment(), stdout=console, stderr=log
        )
    try:
        until = time.monotonic() + PATIENCE_S
        while ask(port, "/health/ready")[0] != 200:
            assert process.poll() is None, (folder / "log").read_text(encoding="utf-8")
            assert time.monotonic() < until, "it did not get ready"
            time.sleep(0.02)
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        process.wait(PATIENCE_S)


def events(folder: Path) -> list[str]:
    return [json.loads(line)["event"] for line in (folder / "log").read_text(encoding="utf-8").splitlines()]


def test_it_serves_until_it_is_told_to_stop(tmp_path: Path) -> None:
    """Ready means ready; a second process on the store is refused and hurts nothing; SIGTERM ends it with status 0."""
    port = free_port()
    with serving(tmp_path, port) as process:
        assert ask(port, "/health/live")[0] == 200
        other = site(tmp_path, SITE.replace("8765", str(free_port())))
        second = padpost("serve", "--config", other, cwd=tmp_path)
        assert second.returncode == 2
        assert second.stderr.decode() == (
            f"padpost: process {process.pid} on {socket.gethostname()} has this store open."
            " Stop it first, or give this one a data folder of its own.\n"
        )
        assert ask(port, "/health/ready")[0] == 200
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
    assert [event for event in events(tmp_path) if event.startswith("service.")] == ["service.started", "service.stopped"]
    said = (tmp_path / "console").read_text(
        encoding="utf-8"
    )  # the code for the first account is for who started it, and for no log
    assert said.startswith("Nobody administers here yet. Open /first-sign-in on the pages")
    assert said.split("One-time code: ")[1].strip() not in (tmp_path / "log").read_text(encoding="utf-8")
    with serving(tmp_path, port) as process:
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0


def test_a_start_loads_what_every_site_needs_alone() -> None:
    """What some sites need, or somebody who opens a page, is loaded then: together it is 25 MB, and a third of a second of every start."""
    later = {"alembic", "babel", "cryptography", "hl7apy", "fhir", "httpx", "joserfc", "psycopg", "sqlalchemy", "weasyprint"}
    look = f"import sys, bridge.app, bridge.cli.serve; print(sorted({later!r} & {{name.split('.')[0] for name in sys.modules}}))"
    child = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, timeout=60, check=True)
    assert child.stdout == "[]\n"


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    """Before anything is received: a bridge whose pages nobody can open is not running well."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        run = padpost("serve", "--config", site(tmp_path, SITE.replace("8765", str(port))), cwd=tmp_path)
    assert run.returncode == 2
    assert run.stderr.decode() == (
        f"padpost: {tmp_path}/site.yaml:2: pages.port: The pages cannot listen on 127.0.0.1, port {port}: Address already in use."
        " Stop what listens there, perhaps another Padpost, or choose another host or port.\n"
    )


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "bench.example"])
def test_pages_for_other_machines_must_be_meant(tmp_path: Path, capfd: pytest.CaptureFixture[str], host: str) -> None:
    """It is said twice that other machines may come; 192.0.2.1 is an address for documentation (RFC 5737)."""
    status, _, errors = here("serve", "--config", site(tmp_path, SITE.replace("port: 8765", f"host: '{host}'")), capfd=capfd)
    assert status == 2
    assert f"site.yaml:2: pages: pages would listen on {host}, where other machines reach them;" in errors
    assert "set allow_other_hosts: true and host_names: [...] if that is meant" in errors
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]


def test_a_profile_that_is_nowhere_is_told_with_its_line(tmp_path: Path) -> None:
    """As ``check`` says it; the store is not touched."""
    run = padpost("serve", "--config", site(tmp_path, SITE.replace("profile: tern", "profile: trn")), cwd=tmp_path)
    assert run.returncode == 2
    assert "site.yaml:9: sources[0].profile: No profile is called 'trn'. There are alder," in run.stderr.decode()
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]
