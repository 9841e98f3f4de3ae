"""The worked example inside a profile file: read it, and say what differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime

from bridge.model import LIVE, Capture, Printed, PrintedPad, Reading, Unreadable, Way
from bridge.read.capture import read_capture
from bridge.tables.types import Profile, Tables
from bridge.tables.vocabulary import step_name

_ARRIVED = datetime(2026, 1, 1, tzinfo=UTC)  # ours: reading looks at no arrival time


def check_example(profile: Profile, tables: Tables) -> str:
    """Read the profile's example; give what differs from its ``expect`` in a sentence, or "" if nothing does."""
    capture = Capture(source="example", way=Way.FOLDER, arrived_at=_ARRIVED, payload=profile.example.payload)
    strips = read_capture(capture, profile, analyzer="example")
    expected = profile.example.expect
    for index, (strip, expect) in enumerate(zip(strips, expected, strict=False)):
        said = understood(strip, profile, tables)
        for key in sorted({*said, *expect}):
            if said.get(key) != expect.get(key):
                return f"{profile.name}: strip {index} of the example: {key} is {said.get(key)!r}, and expect says {expect.get(key)!r}."
    if len(strips) != len(expected):
        return f"{profile.name}: the example gives {len(strips)} strips, and expect lists {len(expected)}."
    return ""


def understood(strip: Reading | Unreadable, profile: Profile, tables: Tables) -> Mapping[str, object]:
    """Give what a strip says, as an example's ``expect`` writes it."""
    if isinstance(strip, Unreadable):
        return {"unreadable": strip.finding.rule}
    said: dict[str, object] = {}
    for part in fields(strip):
        value = getattr(strip, part.name)
        if isinstance(value, Printed):
            said[part.name] = value.text
    layout = profile.hl7 or profile.lis2
    if layout is not None and "processing_id" not in layout.fields and said.get("processing_id") == LIVE:
        del said["processing_id"]  # read of every such message unasked: that an example is live goes without saying
    if strip.comments:
        said["comments"] = [comment.text for comment in strip.comments]
    if strip.pads:
        name = profile.strip_types.get(strip.strip_type.text if strip.strip_type else "", "")
        said["pads"] = dict(_pad(pad, name, profile) for pad in strip.pads)
        if name not in tables.strip_types:
            said["strip_type"] = "unknown"
    return said


def _pad(pad: PrintedPad, strip_type: str, profile: Profile) -> tuple[str, str]:
    """Give a pad's key and the name of its step; "?" and the text as printed where it is not on the ladder."""
    key = profile.labels.get(pad.label.text, f"?{pad.label.text}")
    vocabulary = profile.vocabularies.get((strip_type, key))
    token = vocabulary.tokens.get(" ".join(pad.value.text.split())) if vocabulary else None
    unit = pad.unit.text if pad.unit else ""
    if token is None or token.step is None or vocabulary is None or unit not in vocabulary.units:
        return key, f"?{pad.value.text} {unit}".rstrip()
    return key, step_name(token.step)
