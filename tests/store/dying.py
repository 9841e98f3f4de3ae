"""A process that takes or restores a backup and kills itself at its N-th touch of a name: ``python -m tests.store.dying N WHAT FROM TO``.

A touch is what Python's audit hooks tell of: a file opened, renamed, removed, a folder made, a database connected. Nothing in
bridge/ knows of it. Ends with 0 if there were fewer touches than N.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Any

from bridge.store.backup import back_up
from bridge.store.restore import restore
from tests.store.strips import later

TOUCHES = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "sqlite3.connect", "os.chmod"}


def _die_at(last: int, places: tuple[str, ...]) -> None:
    seen = 0

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal seen
        if event in TOUCHES and any(place in str(arguments[0]) for place in places):
            seen += 1
            if seen == last:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


if __name__ == "__main__":
    _, at, what, source, target = sys.argv
    _die_at(int(at), (source, target))
    if what == "backup":
        back_up(Path(source), Path(target), now=later(5), spare_bytes=0)
    else:
        restore(Path(source), Path(target), now=later(60), replace=True)
