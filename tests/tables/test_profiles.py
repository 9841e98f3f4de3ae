"""Profiles: typed and free of contradictions. More wrong files are in test_compiled.py."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.errors import TableError
from bridge.model import Priority, Purpose
from bridge.settings import Document, shipped_mappings
from bridge.tables.documents import ProfileDocument
from bridge.tables.profiles import profile
from bridge.tables.types import Framing, Layout, SeriesRule
from bridge.wire.lis01 import unframe
from tests.tables.shipped_tables import ZONE, tables


def remade(name: str, **changes: Any) -> ProfileDocument:
    """Read a shipped profile with some of its keys changed."""
    values = Document(shipped_mappings() / "profiles" / f"{name}.yaml").values
    return ProfileDocument.model_validate({**values, **changes})


def test_the_shipped_profiles_differ() -> None:
    """They cover framings, layouts, unit systems, number schemes, dates and character sets."""
    told = {
        name: (
            p.framing,
            p.layout,
            p.unit_system.value,
            p.numbers.series,
            p.numbers.shared,
            p.charset,
            p.date_format,
            p.time_format,
        )
        for name, p in tables().profiles.items()
    }
    daily, fall = SeriesRule.DAILY, SeriesRule.FALL
    assert told == {
        "alder": (Framing.NONE, Layout.SLIP, "conventional", daily, False, "cp437", "%d/%m/%Y", "%H:%M"),
        "brook": (Framing.LIS01, Layout.LIS2, "conventional", fall, True, "ascii", "%Y%m%d%H%M%S", ""),
        "brook-file": (Framing.NONE, Layout.DELIMITED, "conventional", fall, True, "ascii", "%Y-%m-%d %H:%M:%S", ""),
        "dipper": (Framing.NONE, Layout.HL7, "conventional", fall, True, "ascii", "%Y%m%d%H%M%S", ""),
        "fjord": (Framing.LIS01, Layout.LIS2, "arbitrary", daily, False, "utf-8", "%Y%m%d%H%M%S", ""),
        "heron": (Framing.NONE, Layout.DELIMITED, "arbitrary", daily, True, "utf-8", "%d-%m-%Y %H:%M", ""),
        "lark": (Framing.NONE, Layout.JSON, "conventional", fall, True, "utf-8", "%Y-%m-%dT%H:%M:%S", ""),
        "moss": (Framing.NONE, Layout.SLIP, "arbitrary", fall, True, "cp850", "", ""),
        "tern": (Framing.NONE, Layout.DELIMITED, "si", daily, True, "cp1252", "%d.%m.%Y", "%H:%M"),
        "wren": (Framing.NONE, Layout.SLIP, "si", daily, True, "iso8859-15", "%Y-%m-%d", "%H:%M"),
    }


@pytest.mark.parametrize("name", ["alder", "brook", "brook-file", "dipper", "fjord", "lark", "moss", "tern"])
def test_every_purpose_has_a_word(name: str) -> None:
    """Only a patient's strip may reach a record: each analyzer can say each purpose, and urgent as well as routine."""
    modes = list(tables().profiles[name].numbers.modes.values())
    assert [(mode.purpose, mode.priority) for mode in modes] == [
        (Purpose.PATIENT, Priority.ROUTINE),
        (Purpose.PATIENT, Priority.STAT),
        (Purpose.CONTROL, Priority.ROUTINE),
        (Purpose.PROFICIENCY, Priority.ROUTINE),
        (Purpose.COMPARISON, Priority.ROUTINE),
        (Purpose.TRAINING, Priority.ROUTINE),
    ]
    assert len({mode.mode for mode in modes}) == 6


def test_brook_and_its_file_are_one_analyzer() -> None:
    """The same strip by line and by file must have one identity: number scheme, strip types and labels are the same."""
    line, file = tables().profiles["brook"], tables().profiles["brook-file"]
    assert (line.numbers, line.strip_types, line.labels) == (file.numbers, file.strip_types, file.labels)


@pytest.mark.parametrize("name", ["brook", "fjord"])
def test_a_framed_example_is_real_frames(name: str) -> None:
    """The example of a framed profile is a transmission that the link layer itself unpacks to the text."""
    made = tables().profiles[name].example.payload
    assert made[:1] == b"\x05"
    assert made[-1:] == b"\x04"
    assert unframe(made).data == remade(name).example.payload.encode("latin-1")


def test_send_again_is_in_plain_steps() -> None:
    """Each profile tells the technician how to get a strip out of the analyzer's memory once more."""
    for made in tables().profiles.values():
        assert len(made.send_again) >= 2
        assert all(step.endswith(".") for step in made.send_again)


ROUTINE = {"word": "", "mode": "routine", "purpose": "patient", "priority": "routine"}


@pytest.mark.parametrize(
    ("name", "changes", "said"),
    [
        ("moss", {"time_format": "%H:%M"}, "The layout finds no printed_time."),
        ("tern", {"time_format": ""}, "No format is given for the printed_time."),
        ("tern", {"time_format": "%H:%Q"}, "'%H:%Q' cannot be read back"),
        ("tern", {"date_format": "%m.%Y"}, "'%m.%Y' does not name day, month and four-digit year."),
        ("tern", {"time_format": "%I:%M"}, "'%I:%M' counts twelve hours and does not say which half of the day."),
        ("brook", {"copy_marks": []}, "The layout finds a copy_mark, but no words are given for it."),
        ("alder", {"marks": None}, "The layout finds a mark, but no words are given for it."),
        ("tern", {"marks": {"*": True}}, "The layout finds no mark."),
        ("moss", {"strip_types": {"Q10": "quill-10"}}, "The layout reads no strip type, but several are named."),
        ("brook", {"strip_types": {"": "quill-10"}}, "The layout reads the strip type, but its text is empty."),
        ("moss", {"words": {"negative": ["nichts "]}}, "'nichts ' has outer or double blanks, which are not compared."),
        ("moss", {"printed": ["{unit}"]}, "'{unit}' is no form of a value."),
        (
            "tern",
            {
                "numbers": {
                    "pattern": "(?P<mode>[a-z])(?P<number>[0-9]{1,4})",
                    "series": "daily",
                    "shared": True,
                    "modes": [ROUTINE],
                }
            },
            "The mode stands both in the number and in a field of its own.",
        ),
        (
            "moss",
            {
                "numbers": {
                    "pattern": "(?P<number>[0-9]{1,4})",
                    "series": "fall",
                    "shared": True,
                    "modes": [{**ROUTINE, "word": "p"}],
                }
            },
            "Nothing says which mode a strip has.",
        ),
        ("moss", {"example": {"payload": "€", "expect": [{}]}}, "The example holds a character above U+00FF."),
        ("moss", {"slip": None}, "The section 'slip' is missing."),
    ],
)
def test_contradictions_are_refused(name: str, changes: dict[str, Any], said: str) -> None:
    """A profile that says two things at once would be read one way by us and another by whoever wrote it."""
    with pytest.raises(TableError) as caught:
        profile(name, remade(name, **changes), tables().strip_types, zone=ZONE)
    assert caught.value.sentence.startswith(said)
    assert caught.value.path[0] == f"profiles/{name}.yaml"
    assert caught.value.remedy
