"""Fixture captures, and short ways to say what was read from one."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bridge.model import Capture, Printed, Reading, Unreadable, Way
from bridge.read import read_capture
from bridge.tables.types import Framing, Profile
from tests.tables.shipped_tables import tables

FOLDER = Path(__file__).parents[2] / "fixtures" / "captures"
NAMES = ("alder", "brook", "brook-file", "fjord", "moss", "tern")
Strips = tuple[Reading | Unreadable, ...]


def fixture(name: str) -> bytes:
    """Give the bytes of a fixture; fixtures/captures/README.md says where each comes from."""
    return (FOLDER / name).read_bytes()


def profile(name: str, *, framed: bool = True) -> Profile:
    """Give a shipped profile; not ``framed``: for the bare text of a message."""
    made = tables().profiles[name]
    return made if framed else replace(made, framing=Framing.NONE)


def read(payload: bytes, made: Profile, *, torn: bool = False) -> Strips:
    """Read bytes as a capture of an analyzer called bench-1."""
    arrived = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    return read_capture(
        Capture(source="s", way=Way.FOLDER, arrived_at=arrived, payload=payload, torn=torn), made, analyzer="bench-1"
    )


def printed(strip: Reading) -> list[Printed]:
    """Give every printed value of a reading."""
    found = [value for part in fields(strip) if isinstance(value := getattr(strip, part.name), Printed)]
    for pad in strip.pads:
        found += [value for value in (pad.label, pad.value, pad.unit, pad.mark) if value is not None]
    return [*found, *strip.comments]


def told(strip: Reading | Unreadable) -> dict[str, Any]:
    """Give what a reading says as plain text, or the fault of an unreadable stretch."""
    if isinstance(strip, Unreadable):
        return {"rule": strip.finding.rule}
    said: dict[str, Any] = {
        part.name: value.text for part in fields(strip) if isinstance(value := getattr(strip, part.name), Printed)
    }
    if said.get("processing_id") == "P":
        del said["processing_id"]  # of every HL7 message; its own tests look at it
    if strip.comments:
        said["comments"] = [comment.text for comment in strip.comments]
    said["pads"] = [
        (pad.label.text, pad.value.text, pad.unit.text if pad.unit else None, pad.mark.text if pad.mark else None)
        for pad in strip.pads
    ]
    return said


def content(strip: Reading | Unreadable) -> object:
    """Give what must not change when a neighbour is spoilt: everything but index and places."""
    return (told(strip), strip.record_digest)
