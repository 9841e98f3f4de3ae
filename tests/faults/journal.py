"""The history of a run on disk, line by line as it happens: the feeders' and the receivers' own word, never the service's."""

from __future__ import annotations

import base64
import json
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.faults.history import Arrived, History
from tests.faults.strips import Strip

LOOK_S = 0.05  # that a feeder has ended is seen after this long


class Journal:
    """Notes what is submitted, acknowledged and received; safe from any thread.

    A line is with the operating system before its ``note`` returns, so that a killed campaign can go on where it was: a
    submission is noted before its first byte leaves, an arrival before the receiver answers.
    """

    def __init__(self, path: Path) -> None:
        """Go on with the journal at ``path``; a last line that a kill cut short is dropped."""
        self.history = History()
        self._there: dict[str, set[str]] = defaultdict(set)  # receiver -> the strips that it holds
        self._committed: deque[tuple[str, bool]] = (
            deque()
        )  # control ID, and whether the receiver holds it: answered CA, and not yet more
        self._lock = threading.RLock()
        self._changed = threading.Condition(self._lock)
        whole = path.read_bytes() if path.exists() else b""
        whole = whole[: whole.rfind(b"\n") + 1]
        for line in whole.splitlines():
            self._take(json.loads(line))
        path.write_bytes(whole)
        self._file = path.open("ab", buffering=0)

    def submitted(self, strip: Strip) -> None:
        """Note that a strip's first byte is about to leave; a second try is no news."""
        with self._lock:
            if strip.name not in self.history.submitted:
                self._note({"did": "submitted", "strip": strip.name, "patient": strip.patient, "stat": strip.is_stat})

    def acknowledged(self, strip: Strip) -> None:
        """Note that the service answered for a strip: the last frame's ACK, or its file in done/."""
        with self._lock:
            if strip.name not in self.history.acknowledged:
                self._note({"did": "acknowledged", "strip": strip.name})

    def arrived(self, arrived: Arrived) -> None:
        """Note what a receiver took."""
        content = base64.b64encode(arrived.content).decode()
        with self._lock:
            self._note({"did": "arrived", **vars(arrived), "content": content})

    def committed(self, control_id: str, *, is_yes: bool) -> None:
        """Note that a receiver in enhanced mode owes a second answer; ``is_yes`` says which."""
        with self._lock:
            self._note({"did": "committed", "control_id": control_id, "is_yes": is_yes})

    def answered(self, control_id: str) -> None:
        """Note that the service keeps the oldest answer that is owed, of ``control_id``."""
        with self._lock:
            self._note({"did": "answered", "control_id": control_id})

    @property
    def unanswered(self) -> tuple[tuple[str, bool], ...]:
        """Give the second answers that are owed, oldest first."""
        with self._lock:
            return tuple(self._committed)

    def is_acknowledged(self, strip: Strip) -> bool:
        """Say whether the service answered for ``strip``."""
        with self._lock:
            return strip.name in self.history.acknowledged

    def wait_for_all(self, receivers: tuple[str, ...], *, bound_s: float, is_feeding: Callable[[], bool] = lambda: False) -> bool:
        """Wait until every submitted strip is acknowledged and with each receiver; False if nothing moved for ``bound_s``.

        While it ``is_feeding`` more may still be submitted.
        """
        moved_s = time.monotonic()
        with self._changed:
            while is_feeding() or not self._is_complete(receivers):
                if self._changed.wait(LOOK_S):
                    moved_s = time.monotonic()
                elif time.monotonic() - moved_s > bound_s:
                    return False
        return True

    def missing(self, receivers: tuple[str, ...]) -> str:
        """Say what is not acknowledged yet, and what is not with each receiver."""
        with self._lock:
            submitted = self.history.submitted.keys()
            left = {"not acknowledged": submitted - self.history.acknowledged}
            left |= {f"not with {receiver}": submitted - self._there[receiver] for receiver in receivers}
        return "; ".join(f"{what}: {sorted(strips)}" for what, strips in left.items() if strips)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _is_complete(self, receivers: tuple[str, ...]) -> bool:
        submitted = self.history.submitted.keys()
        return submitted <= self.history.acknowledged and all(submitted <= self._there[receiver] for receiver in receivers)

    def _note(self, entry: dict[str, Any]) -> None:
        self._file.write(json.dumps(entry).encode() + b"\n")
        self._take(entry)
        self._changed.notify_all()

    def _take(self, entry: dict[str, Any]) -> None:
        match entry.pop("did"):
            case "submitted":
                self.history.submitted[entry["strip"]] = entry["patient"]
                if entry["stat"]:
                    self.history.stat.add(entry["strip"])
            case "committed":
                self._committed.append((entry["control_id"], entry["is_yes"]))
            case "answered":
                assert self._committed.popleft()[0] == entry["control_id"]
            case "acknowledged":
                self.history.acknowledged.add(entry["strip"])
            case "arrived":
                content = base64.b64decode(entry.pop("content"))
                arrived = Arrived(content=content, **entry)
                self.history.arrived.append(arrived)
                if arrived.held:
                    self._there[arrived.receiver].add(arrived.strip)
