"""``padpost simulate`` and ``padpost serve`` as two processes: what is played over each way comes out at a receiver, once."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import hl7
import pytest

from bridge.demo.analyzers import invented
from bridge.site import tables_for
from tests.cli.commands import COMMAND, PATIENCE_S, environment
from tests.faults.served import Served, free_port

STRIPS = 4
PLAYED_ID = re.compile(r"407[0-9]{5}")  # analyzers.invented: 40 700 000 and up
CHECKED_S = (
    240.0  # the destination opens once its plans are checked, by a child that gives way to everything else on a busy machine
)
DESTINATIONS = "  - {name: outbox, kind: folder, path: out, processing_id: T}\n"


def simulated(target: str, profile: str, seed: int, folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, "simulate", target, "--profile", profile, "--strips", str(STRIPS), "--every", "0", "--seed", str(seed)],
        cwd=folder,
        env=environment(),
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def ids(profile: str, seed: int) -> list[str]:
    """Give the patient IDs that the same seed plays: they depend on nothing else."""
    tables = tables_for(None)
    texts = invented(tables.profiles[profile], tables, strips=STRIPS, seed=seed)
    return [PLAYED_ID.findall(text.decode(tables.profiles[profile].charset))[0] for text in texts]


def messages(folder: Path, count: int, served: Served) -> list[hl7.Message]:
    """Wait for ``count`` messages in the folder of the destination; parse them by a library that is not ours."""
    until = time.monotonic() + CHECKED_S
    while len(found := [path for path in folder.glob("*") if not path.name.startswith(".")]) < count:
        assert time.monotonic() < until, f"only {len(found)} of {count} came: {served.log[-4000:]}"
        time.sleep(0.02)
    return [hl7.parse(path.read_bytes().decode()) for path in found]


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Give a simulated analyzer that waits at its pty, and the pty's path."""
    analyzer = simulated("pty", "brook", 1, tmp_path)
    assert analyzer.stdout
    said = re.fullmatch(r"play to: (\S+)   \(start the bridge on it, then press Enter\)\n", analyzer.stdout.readline())
    assert said
    yield analyzer, said[1]
    analyzer.kill()
    analyzer.wait(PATIENCE_S)


def test_what_is_played_over_each_way_comes_out_once(tmp_path: Path, pty: tuple[subprocess.Popen[str], str]) -> None:
    """A serial line, TCP and a folder at the same time: every strip that was said to be taken is one message of its patient."""
    on_line, device = pty
    port = free_port()
    (tmp_path / "drops").mkdir()
    (tmp_path / "out").mkdir()
    served = Served(
        tmp_path,
        data=tmp_path / "store",
        sources=(
            f"  - {{name: line, kind: serial, port: {device}, link: lis01, analyzer: bench-a, profile: brook}}\n"
            f"  - {{name: net, kind: tcp, role: listen, port: {port}, link: lis01, analyzer: bench-b, profile: brook}}\n"
            "  - {name: drops, kind: folder, path: drops, analyzer: bench-c, profile: tern, complete: rename, sweep_s: 0.1}\n"
        ),
        destinations=DESTINATIONS,
    )
    served.start()
    try:
        served.wait_ready()
        by_net = simulated(f"tcp:127.0.0.1:{port}", "brook", 2, tmp_path)
        by_file = simulated("folder:drops", "tern", 3, tmp_path)
        taken = "".join(f"{n}: taken\n" for n in range(1, STRIPS + 1))
        assert on_line.communicate("\n", timeout=PATIENCE_S) == (taken, "")
        assert by_net.communicate(timeout=PATIENCE_S) == (taken, "")
        dropped, errors = by_file.communicate(timeout=PATIENCE_S)
        assert re.fullmatch("".join(rf"{n}: strips-[0-9a-f]{{8}}-000{n}\.txt\n" for n in range(1, STRIPS + 1)), dropped)
        assert errors == ""
        assert [on_line.returncode, by_net.returncode, by_file.returncode] == [0, 0, 0]
        came = messages(tmp_path / "out", 3 * STRIPS, served)
        served.stop()
    finally:
        served.end()
    assert len(list((tmp_path / "out").iterdir())) == 3 * STRIPS
    assert sorted(str(message.segment("PID")[3]).split("^")[0] for message in came) == sorted(
        ids("brook", 1) + ids("brook", 2) + ids("tern", 3)
    )
    assert len({str(message.segment("MSH")[10]) for message in came}) == 3 * STRIPS


def test_nobody_listening_is_told_with_a_remedy(tmp_path: Path) -> None:
    """A port that nobody holds: a sentence and status 2, no traceback."""
    analyzer = simulated(f"tcp:127.0.0.1:{free_port()}", "brook", 1, tmp_path)
    out, errors = analyzer.communicate(timeout=PATIENCE_S)
    assert (analyzer.returncode, out) == (2, "")
    assert re.fullmatch(r"padpost: 127\.0\.0\.1:\d+ cannot be opened: [^\n]*\n", errors)
