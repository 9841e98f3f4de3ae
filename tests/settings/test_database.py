"""Where the database is, by the site's file."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


def test_a_database_is_named_by_its_url_and_its_password_by_a_variable(tmp_path: Path) -> None:
    """Without the section the store is the data folder's file; the data folder has a default then and now."""
    assert settings.read_settings(write(tmp_path, GOOD)).database is None
    text = (
        GOOD.replace("  data: store\n", "") + "database:\n  url: postgresql://pad@db.example:5432/results?sslmode=verify-full\n"
    )
    read = settings.read_settings(write(tmp_path, text))
    assert read.database == settings.Database(url="postgresql://pad@db.example:5432/results?sslmode=verify-full")
    assert read.site.data == tmp_path / "data"
    read = settings.read_settings(write(tmp_path, text + "  password: {env: PAD_DB}\n"))
    assert read.database is not None
    assert read.database.password == settings.Secret(env="PAD_DB")


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("postgresql://pad:s3cret@db/results", "a password stands in the URL; take it out, and name the variable that holds it"),
        ("postgresql://db/results?user=pad&password=s3cret", "a password stands in the URL"),
        ("mysql://db/results", "String should match pattern"),
        ("postgresql://", "String should match pattern"),
    ],
)
def test_a_url_without_a_password_is_asked_for(tmp_path: Path, url: str, words: str) -> None:
    """The file may lie in a repository or a backup; the error names the line and does not repeat the secret."""
    with pytest.raises(SettingsError, match=words) as told:
        settings.read_settings(write(tmp_path, f"{GOOD}database:\n  url: {url}\n"))
    assert told.value.spot is not None
    assert (told.value.spot.line, told.value.spot.key) == (len(GOOD.splitlines()) + 2, "database.url")
    assert "s3cret" not in str(told.value)
