"""Files of certificates and keys: changes are noticed, and what cannot be read is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.credentials.files import LONGEST, read, stamp
from bridge.errors import SettingsError


def test_a_stamp_changes_with_the_file(tmp_path: Path) -> None:
    """Renewal without a restart rests on it: another file, another length or another time is another stamp."""
    path = tmp_path / "own.pem"
    missing = stamp([path])
    path.write_bytes(b"one")
    first = stamp([path])
    other = tmp_path / "new.pem"
    other.write_bytes(b"two")
    other.replace(path)
    assert len({missing, first, stamp([path])}) == 3
    assert stamp([path]) == stamp([path])


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (None, "cannot be read: No such file or directory. Check its name, and that Padpost's user may read it."),
        (b"", "is empty. Put the right file in its place."),
        (b"x" * (LONGEST + 1), "is far too long for what it should hold. Put the right file in its place."),
    ],
)
def test_what_cannot_be_read_is_named_with_key_and_remedy(tmp_path: Path, held: bytes | None, words: str) -> None:
    """Path, key, and what to do."""
    path = tmp_path / "own.pem"
    if held is not None:
        path.write_bytes(held)
    with pytest.raises(SettingsError) as caught:
        read(path, ("tls", "ca"))
    assert str(caught.value) == f"tls.ca: The file {path} {words}"
