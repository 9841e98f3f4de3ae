"""What a backup that was killed leaves: nothing that looks whole and is not."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

HEADER = b"SQLite format 3\0"  # sqlite.org/fileformat.html, 1.3
# What a file is called that is not to be taken for a backup; SQLite lays a journal beside what it writes (sqlite.org/tempfiles.html, 2.1)
UNFINISHED = (".part", ".part-journal", ".tmp")


def broken_backups(folder: Path) -> list[str]:
    """Give a breach for each file that looks like a whole backup and is none."""
    found = []
    for path in sorted(folder.rglob("*")):
        if path.name.startswith(".") or path.suffix in UNFINISHED or not path.is_file() or path.suffix in {".txt", ".json"}:
            continue
        with path.open("rb") as file:
            head = file.read(len(HEADER))
        if head != HEADER:
            found.append(f"the backup {path.name} is no store")
            continue
        with closing(sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)) as db:
            try:
                (verdict,) = db.execute("PRAGMA integrity_check").fetchone()
            except sqlite3.Error as error:
                verdict = str(error)
        if verdict != "ok":
            found.append(f"the backup {path.name} looks whole and is damaged: {verdict}")
    return found
