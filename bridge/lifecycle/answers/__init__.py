"""What a receiver's answer means for a delivery: one readable table for each kind of destination.

The tables are MLLP, HTTP, HOOK, SILENCE, DOOR and FOLDER; docs/reference/answers.md is printed from them by ``describe``.
An acknowledgement's ``code`` is short and safe for logs; its ``text`` holds the receiver's own words, which
may name a patient, and is for the pages only. No answer raises, whatever its bytes are.
"""

from __future__ import annotations

from bridge.lifecycle.answers.door import DOOR, DoorFault
from bridge.lifecycle.answers.folder import FOLDER, FolderEnd, read_folder
from bridge.lifecycle.answers.hook import HOOK, read_hook
from bridge.lifecycle.answers.http import (
    HTTP,
    LONGEST_RETRY_AFTER_S,
    HttpReply,
    is_conflict,
    read_http,
    retry_after_s,
    settle_conflict,
)
from bridge.lifecycle.answers.mllp import ERROR_CODES, MLLP, Stray, read_mllp
from bridge.lifecycle.answers.row import LONGEST_TEXT, Row, words
from bridge.lifecycle.answers.silence import SILENCE, Silence, no_answer
from bridge.lifecycle.answers.told import describe, door_words, stop_words

__all__ = [
    "DOOR",
    "ERROR_CODES",
    "FOLDER",
    "HOOK",
    "HTTP",
    "LONGEST_RETRY_AFTER_S",
    "LONGEST_TEXT",
    "MLLP",
    "SILENCE",
    "DoorFault",
    "FolderEnd",
    "HttpReply",
    "Row",
    "Silence",
    "Stray",
    "describe",
    "door_words",
    "is_conflict",
    "no_answer",
    "read_folder",
    "read_hook",
    "read_http",
    "read_mllp",
    "retry_after_s",
    "settle_conflict",
    "stop_words",
    "words",
]
