"""A folder: which end of a file is a yes."""

from __future__ import annotations

from bridge.lifecycle.answers import FOLDER, FolderEnd, read_folder
from bridge.model import Answer


def test_a_folder_is_accepted_only_for_the_same_bytes() -> None:
    """Every way that a file ends has a row; two of them are a yes."""
    assert set(FOLDER) == set(FolderEnd)
    assert {end for end in FolderEnd if read_folder(end).answer is Answer.ACCEPTED} == {
        FolderEnd.WRITTEN,
        FolderEnd.THERE_ALREADY,
    }
