"""Zones and secrets: what the configuration only names must be there, or the error names it."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("  zone: Europe/Lisbon", "  zone: Europe/Atlantis"), 3, "site.zone", "no time zone is called 'Europe/Atlantis'"),
    ],
)
def test_wrong_file_names_line_key_and_remedy(tmp_path: Path, change: tuple[str, str], line: int, key: str, words: str) -> None:
    """An admin finds the place without searching."""
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(*change, 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def test_secrets_come_from_the_environment_or_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The configuration only names a secret; a missing one is an error that names the variable."""
    secret = settings.Secret(env="PADPOST_TEST_TOKEN")
    with pytest.raises(SettingsError, match="PADPOST_TEST_TOKEN_FILE"):
        secret.value()
    (tmp_path / "token").write_text("from-file\n", encoding="utf-8")
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "token"))
    assert secret.value() == "from-file"
    monkeypatch.setenv("PADPOST_TEST_TOKEN", "")
    assert secret.value() == "from-file"
    monkeypatch.setenv("PADPOST_TEST_TOKEN", "from-env")
    assert secret.value() == "from-env"


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (b"\n", "The secret PADPOST_TEST_TOKEN is empty"),
        (b"\x89PNG", "cannot be read from .*token: byte 1 is not UTF-8"),
        (None, "cannot be read from .*token: No such file or directory"),
    ],
)
def test_a_secret_file_that_holds_none_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, held: bytes | None, words: str
) -> None:
    """An empty token would be sent as one, and the receiver's refusal would puzzle."""
    if held is not None:
        (tmp_path / "token").write_bytes(held)
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "token"))
    with pytest.raises(SettingsError, match=words):
        settings.Secret(env="PADPOST_TEST_TOKEN").value()
