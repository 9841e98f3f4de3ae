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
    says_duplicate,
    settle_conflict,
)
from bridge.lifecycle.answers.mllp import (
    ENHANCED,
    ERROR_CODES,
    MLLP,
    Asked,
    Said,
    Stray,
    committing,
    meaning,
    read_mllp,
    said_by,
    wants_commit,
)
from bridge.lifecycle.answers.row import LONGEST_TEXT, Row, words
from bridge.lifecycle.answers.silence import SILENCE, Silence, no_answer
from bridge.lifecycle.answers.site import MEANINGS, NO_SITE_ANSWERS, OPEN_TO_SITES, SiteAnswers, site_answers, site_faults
from bridge.lifecycle.answers.there import THERE, Question, is_there, not_proved, questions, same_meaning, there_already
from bridge.lifecycle.answers.told import describe, door_words, stop_words, unanswered_words

__all__ = [
    "DOOR",
    "ENHANCED",
    "ERROR_CODES",
    "FOLDER",
    "HOOK",
    "HTTP",
    "LONGEST_RETRY_AFTER_S",
    "LONGEST_TEXT",
    "MEANINGS",
    "MLLP",
    "NO_SITE_ANSWERS",
    "OPEN_TO_SITES",
    "SILENCE",
    "THERE",
    "Asked",
    "DoorFault",
    "FolderEnd",
    "HttpReply",
    "Question",
    "Row",
    "Said",
    "Silence",
    "SiteAnswers",
    "Stray",
    "committing",
    "describe",
    "door_words",
    "is_conflict",
    "is_there",
    "meaning",
    "no_answer",
    "not_proved",
    "questions",
    "read_folder",
    "read_hook",
    "read_http",
    "read_mllp",
    "retry_after_s",
    "said_by",
    "same_meaning",
    "says_duplicate",
    "settle_conflict",
    "site_answers",
    "site_faults",
    "stop_words",
    "there_already",
    "unanswered_words",
    "wants_commit",
    "words",
]
