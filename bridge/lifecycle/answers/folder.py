"""A folder: how the writing of one file ended, and what that means."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from bridge.lifecycle.answers.row import Row, words
from bridge.model import Acknowledgement, Answer


class FolderEnd(StrEnum):
    """How the writing of one file ended; the values are the codes."""

    WRITTEN = "written"
    THERE_ALREADY = "there already"
    OTHER_CONTENT = "other content there"
    BAD_NAME = "no file name"
    FULL = "no room"
    NO_FOLDER = "no such folder"
    NO_RIGHTS = "no rights"
    FAULT = "write failed"


FOLDER: Mapping[FolderEnd, Row] = {
    FolderEnd.WRITTEN: Row(answer=Answer.ACCEPTED, why="The whole file and its name are on the disk."),
    FolderEnd.THERE_ALREADY: Row(answer=Answer.ACCEPTED, why="An earlier try wrote the same bytes under the same name."),
    FolderEnd.OTHER_CONTENT: Row(
        answer=Answer.REFUSED, why="A file of that name holds something else; it is left alone and a person looks."
    ),
    FolderEnd.BAD_NAME: Row(answer=Answer.REFUSED, why="The control ID is none of ours and makes no file name."),
    FolderEnd.FULL: Row(answer=Answer.TRY_AGAIN, why="The disk is full for now."),
    FolderEnd.NO_FOLDER: Row(answer=Answer.CLOSED, why="The configured folder is not there; it is never made."),
    FolderEnd.NO_RIGHTS: Row(answer=Answer.CLOSED, why="Padpost may not write there."),
    FolderEnd.FAULT: Row(answer=Answer.TRY_AGAIN, why="The disk or the network mount failed; the temporary file is removed."),
}


def read_folder(end: FolderEnd, text: str = "") -> Acknowledgement:
    """Give the acknowledgement of a file that was, or was not, written."""
    return Acknowledgement(answer=FOLDER[end].answer, code=end.value, text=words([text]))
