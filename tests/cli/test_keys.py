"""``padpost make-key`` and ``padpost public-keys``: what they write, print and refuse."""

from __future__ import annotations

import json
import stat
from datetime import UTC, datetime
from pathlib import Path

import jwt
import pytest

from bridge.cli.keys import make
from bridge.credentials.keys import read_keys
from tests.cli.commands import here, padpost

NOW = datetime(2026, 11, 26, 8, 30, tzinfo=UTC)


def test_a_key_is_made_and_its_public_part_handed_over(tmp_path: Path) -> None:
    """As a user does it: the file is for its owner alone, and the set is one that another library reads."""
    run = padpost("make-key", "keys", "--alg", "RS384", cwd=tmp_path)
    assert (run.returncode, run.stderr) == (0, b"")
    (path,) = (tmp_path / "keys").iterdir()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    shown = padpost("public-keys", "keys", cwd=tmp_path)
    assert (shown.returncode, shown.stderr) == (0, b"")
    (key,) = jwt.PyJWKSet.from_json(shown.stdout.decode()).keys
    assert (key.key_id, key.algorithm_name) == (path.stem, "RS384")
    assert json.loads(path.read_text())["d"] not in shown.stdout.decode() + run.stdout.decode()


def test_a_key_may_begin_later(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """So that the other side knows it before it signs."""
    assert make(tmp_path, "ES256", begins="2026-12-03", days=30, now=lambda: NOW) == 0
    (key,) = read_keys(tmp_path)
    assert (key.alg, key.starts, key.ends) == (
        "ES256",
        datetime(2026, 12, 3, tzinfo=UTC),
        datetime(2027, 1, 2, tzinfo=UTC),
    )
    assert key.kid.startswith("20261203-")
    assert "ES256, signs from 2026-12-03 00:00 to 2027-01-02 00:00 UTC" in capfd.readouterr().out


def test_a_key_without_a_day_signs_at_once(tmp_path: Path) -> None:
    """And for a year."""
    make(tmp_path, "ES384", begins="", days=365, now=lambda: NOW)
    (key,) = read_keys(tmp_path)
    assert (key.starts, key.ends.year) == (NOW, 2027)


def test_a_shared_secret_is_said_to_be_one(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """It is never printed, and has no public part."""
    assert here("make-key", tmp_path, "--alg", "HS256", capfd=capfd)[1].endswith(
        "It is a shared secret: hand its member k to the receiver's people by a way that nobody else can read.\n"
    )
    status, output, errors = here("public-keys", tmp_path, capfd=capfd)
    assert (status, output) == (2, "")
    assert "is a shared secret and has no public part" in errors


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("make-key", "{folder}", "--alg", "none"), "There is no algorithm 'none' here. Use ES384, RS384, ES256, HS256."),
        (("make-key", "{folder}", "--from", "soon"), "'soon' is no date. Write it as 2026-12-01."),
        (("public-keys", "{folder}/absent"), "absent cannot be read: No such file or directory. Make a key in it"),
    ],
)
def test_what_cannot_be_done_is_told(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: str
) -> None:
    """With the right words to choose from, and nothing written."""
    status, output, errors = here(*(word.format(folder=tmp_path) for word in arguments), capfd=capfd)
    assert (status, output) == (2, "")
    assert words in errors
    assert list(tmp_path.iterdir()) == []
