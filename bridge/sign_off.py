"""The file that says which named person signed which table set, and the table sets kept beside it to compare with.

Only `padpost sign-off` writes it: it adds rows and changes none.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import BeforeValidator, Field

from bridge.errors import SettingsError
from bridge.settings import Document, Shape
from bridge.tables.signatures import Signature
from bridge.tables.types import Tables

HEAD = """\
# Who checked which table set, by its SHA-256, before it may serve a live destination.
# `padpost sign-off` adds rows; leave earlier rows as they are.
signed_off:
"""


def _moment(given: object) -> object:
    """Take an aware ISO 8601 time only."""
    if isinstance(given, datetime):
        return given
    try:
        moment = datetime.fromisoformat(str(given))
    except ValueError:
        raise ValueError("this is not a time such as 2026-11-25T09:30:00+00:00") from None
    if moment.tzinfo is None:
        raise ValueError("this time lacks its offset from UTC, as in 2026-11-25T09:30:00+00:00")
    return moment


def _named(given: object) -> object:
    if not isinstance(given, str) or not given.strip():
        raise ValueError("a signature needs the name of a person")
    return given.strip()


class SignatureRow(Shape):
    """One signature. ``tables`` is the digest of the table set, ``words`` says what was checked."""

    tables: str = Field(pattern=r"^[0-9a-f]{64}$")
    by: Annotated[str, BeforeValidator(_named)]
    at: Annotated[datetime, BeforeValidator(_moment)]
    words: str = ""


class SignedOff(Shape):
    """The whole file."""

    signed_off: tuple[SignatureRow, ...]


def read_signatures(path: Path) -> tuple[Signature, ...]:
    """Give the signatures in the order of the file; none where there is no file. Raises SettingsError with file, line and key."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return ()
    except OSError as error:
        raise SettingsError(
            f"{path} cannot be read: {error.strerror}.", remedy="Give whoever runs Padpost the right to read it."
        ) from error
    rows = Document(path).shaped(SignedOff).signed_off
    return tuple(Signature(tables=row.tables, by=row.by, at=row.at, words=row.words) for row in rows)


def add_signature(path: Path, signature: Signature, tables: Tables) -> None:
    """Add one row, and keep the table set beside the file. Raises SettingsError, with nothing added, if it cannot be done."""
    before = read_signatures(path)
    row = {"tables": signature.tables, "by": signature.by, "at": signature.at.isoformat(), "words": signature.words}
    dumped = yaml.safe_dump([{key: value for key, value in row.items() if value}], allow_unicode=True, sort_keys=False, width=100)
    try:
        earlier = path.read_text(encoding="utf-8") if path.exists() else HEAD
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = _kept(path, tables.digest)
        kept.parent.mkdir(exist_ok=True)
        _replace(kept, tables.canonical.decode())
        lines = "".join(f"  {line}\n" for line in dumped.splitlines())
        _replace(path, f"{earlier.rstrip()}\n{lines}", check=lambda part: _compare(path, part, (*before, signature)))
    except OSError as error:
        raise SettingsError(
            f"{error.filename or path} cannot be written: {error.strerror}.",
            remedy="Run this as a user who may write there, or set signed_off to another path.",
        ) from error


def _compare(path: Path, part: Path, expected: Sequence[Signature]) -> None:
    """Read what is about to take the file's place: a person may have written the earlier rows in a form that cannot be added to."""
    try:
        found = read_signatures(part)
    except SettingsError:
        found = ()
    if found != tuple(expected):
        raise SettingsError(
            f"A row cannot be added to {path} as it is written.",
            remedy="Write its rows as a list, two blanks before each hyphen, as docs/how-to/sign-the-tables.md shows.",
        )


def _replace(path: Path, text: str, *, check: Callable[[Path], None] | None = None) -> None:
    """Put ``text`` durably in the place of ``path``, in one step; whoever reads meanwhile finds the old or the new."""
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, part)
        if check:
            check(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def last_signed(path: Path, signatures: Sequence[Signature], *, apart_from: str) -> tuple[Signature, bytes] | None:
    """Give the last signature of another table set than ``apart_from`` whose kept set is whole, with that set as canonical JSON."""
    for signature in reversed(signatures):
        if signature.tables == apart_from:
            continue
        try:
            content = _kept(path, signature.tables).read_bytes()
        except OSError:
            continue
        if hashlib.sha256(content).hexdigest() == signature.tables:
            return signature, content
    return None


def _kept(path: Path, digest: str) -> Path:
    """Give where a signed table set is kept: signed_off_tables/DIGEST.json beside signed_off.yaml."""
    return path.with_name(f"{path.stem}_tables") / f"{digest}.json"
