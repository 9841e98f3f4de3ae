"""The ways in: what does not fit together is an error at load."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("    link: lis01", "    link: stream"), 10, "sources[0]", "link: stream needs cut"),
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
