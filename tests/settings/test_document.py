"""YAML with places: whatever is wrong is answered with the file, the line, the key and the nearest right word."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("    port: /dev/ttyS9", "    prot: /dev/ttyS9"), 12, "sources[0].prot", "Did you mean 'port'?"),
        (("    kind: folder\n", "    kind: pigeon\n"), 17, "sources[1].kind", "pigeon"),
        (("  authority: SALTMARSH\n", ""), 5, "patient_ids.authority", "'authority' is missing"),
        (("site:\n", "site:\n  name: Twice\n"), 3, "site.name", "given twice"),
        (("  zone: Europe/Lisbon", "  zone: [Europe"), 4, "", "This is not YAML"),
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


def test_missing_file_is_an_error_with_its_name(tmp_path: Path) -> None:
    """A mistyped path is answered, not traced."""
    with pytest.raises(SettingsError, match=r"absent\.yaml:1"):
        settings.read_settings(tmp_path / "absent.yaml")
