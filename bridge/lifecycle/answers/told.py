"""What a person reads of an answer: of a stop, of a closed door, and the reference page printed from the tables."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from bridge.lifecycle.answers.door import DOOR
from bridge.lifecycle.answers.folder import FOLDER
from bridge.lifecycle.answers.hook import HOOK, PREFIX
from bridge.lifecycle.answers.http import HTTP, LONGEST_RETRY_AFTER_S
from bridge.lifecycle.answers.mllp import ANY, ENHANCED, MLLP, NONE
from bridge.lifecycle.answers.row import Row
from bridge.lifecycle.answers.silence import SILENCE
from bridge.model import Acknowledgement, Answer


def stop_words(destination: str, acknowledgement: Acknowledgement, *, tried_for: timedelta | None = None) -> tuple[str, str]:
    """Give sentence and remedy of the stop that a refused delivery, or one tried for too long, opens.

    ``tried_for`` is set for one that was given up after that time.
    """
    if tried_for is None:
        return (
            f"{destination} turned this result away ({acknowledgement.code}).",
            "Read the receiver's own words, mend the cause where it lies, then send it again; or discard it with a reason.",
        )
    hours = max(1, round(tried_for.total_seconds() / 3_600))
    return (
        f"{destination} did not take this result for {hours} {'hour' if hours == 1 else 'hours'}; the last answer was: {acknowledgement.code}.",
        "Ask for the receiver to be checked, then send it again. It may hold the result already: the same identity keeps it from being filed twice.",
    )


def unanswered_words(destination: str, *, waited: timedelta) -> tuple[str, str]:
    """Give sentence and remedy of the stop that a committed delivery opens whose answer did not come in time."""
    minutes = max(1, round(waited.total_seconds() / 60))
    return (
        f"{destination} keeps this result, but has not said within {minutes} {'minute' if minutes == 1 else 'minutes'} whether it took it.",
        (
            "Look in the record. If the result is there, discard this row with a reason. If not, ask for the receiver to be checked, then send it again."
            " An answer that still comes closes this row by itself."
        ),
    )


def door_words(acknowledgement: Acknowledgement) -> str:
    """Give why a destination takes nothing for now: the code and our own words for it, never the receiver's."""
    code = acknowledgement.code
    rows = {f"HTTP {key[:3]}": row for key, row in HTTP.items() if row.answer is Answer.CLOSED}
    rows |= {key.value: row for key, row in SILENCE.items()} | {key.value: row for key, row in FOLDER.items()}
    rows |= {key.value: row for key, row in DOOR.items()}
    rows |= {f"{PREFIX} {key}": row for key, row in HOOK.items() if row.answer is Answer.CLOSED}
    families = {"HTTP 3": HTTP["3xx"], f"{PREFIX} 3": HOOK["3xx"]}
    row = rows.get(code) or families.get(code[:6]) or _trouble(code)
    return f"{code}: {row.why}" if row else code


def _trouble(code: str) -> Row | None:
    """Give the row of an answer that says that the receiver is in trouble: HTTP 408 and 5xx, AR and CE."""
    kind, _, reason = code.partition(" ")
    if kind in {"HTTP", PREFIX}:
        table = HTTP if kind == "HTTP" else HOOK
        return table.get(reason) or table.get(f"{reason[:1]}xx")
    return MLLP.get((kind, reason)) or MLLP.get((kind, NONE)) or MLLP.get((kind, ANY))


def describe() -> str:
    """Print the tables as docs/reference/answers.md, Markdown."""
    blocks = [
        (
            "# What a receiver's answer means\n\nPrinted from `bridge/lifecycle/answers/`; a test compares. *accepted* ends the delivery; *try again* waits, "
            "doubling, up to the limit, then a person looks; *refused* opens a row on Rejected messages with the receiver's own words;\n"
            "*destination closed* consumes nothing: one row for the receiver, tried now and then until it opens.\n"
        ),
        _table("HL7 v2 over MLLP", ("MSA-1", "ERR-3"), [(*key, row) for key, row in MLLP.items()]),
        (
            "An answer counts only if it begins with MSH, has exactly one MSA, and MSA-2 is the control ID that was sent. Anything else on the line is\n"
            "counted and passed over. Where ERR-3 is empty, ERR-1.4 (before version 2.5) is read; errors of severity I or W decide nothing.\n"
        ),
        _table("HL7 v2, CA in enhanced mode", ("MSH-16",), [(key.value, row) for key, row in ENHANCED.items()]),
        (
            "Enhanced mode is asked for by `acknowledgement: enhanced` (MSH-15 AL). *committed* holds the lane until the answer comes, on the same connection or on one\n"
            "that the receiver opens (`answers_on`), matched by control ID. An answer to an earlier try counts as well, as long as nobody has settled the delivery.\n"
        ),
        _table("FHIR over HTTP", ("Status",), [(key, row) for key, row in HTTP.items()]),
        (
            f"Retry-After is honoured in seconds or as a date, up to {LONGEST_RETRY_AFTER_S / 60:.0f} minutes. A body that is not FHIR changes nothing: the status alone decides.\n"
            "A result that was read back and is the same has the code *there already*. With `read_back: true` it is looked for after a try whose fate is unknown, too, before it is sent again.\n"
        ),
        _table("Web hook", ("Status",), [(key, row) for key, row in HOOK.items()]),
        "Retry-After is honoured as for FHIR. The body is shown to a person, and decides only whether it is a web page.\n",
        _table("No answer, every kind", ("What happened",), [(key.value, row) for key, row in SILENCE.items()]),
        _table("Before the door: TLS and sign-in", ("What is wrong",), [(key.value, row) for key, row in DOOR.items()]),
        _table("Folder", ("What happened",), [(key.value, row) for key, row in FOLDER.items()]),
    ]
    return "\n".join(blocks)


def _table(title: str, keys: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> str:
    head = [f"## {title}\n", f"| {' | '.join((*keys, 'Means', 'Why'))} |", f"|{' --- |' * (len(keys) + 2)}"]
    lines = [f"| {' | '.join((*map(str, row[:-1]), row[-1].answer.value, row[-1].why))} |" for row in rows]
    return "\n".join([*head, *lines, ""])
