"""What a simulated analyzer prints, byte for byte, and that the reading rooms read every step of it back."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bridge.demo.printers import Play, can_print, framed, printed
from bridge.model import Capture, Reading, Way
from bridge.read.capture import read_capture
from bridge.site import tables_for
from bridge.tables.types import Framing, Profile
from tests.receive.independent_sender import frame

TABLES = tables_for(None)
BROOK, TERN = TABLES.profiles["brook"], TABLES.profiles["tern"]
AT = datetime(2026, 11, 25, 9, 5, tzinfo=UTC)
STRIP = Play(number=7, at=AT, patient_id="40700001", word="S", strip_type="sedge-5", ranks={"protein": 1})
RECORDS = (
    b"H|\\^&|||ANALYZER|||||||P|LIS2-A2|20261125090500\r"
    b"P|1||40700001\r"
    b"O|1||S00007|^^^S5||||||||||||||24A01\r"
    b"R|1|^^^PHVA|5.2|||N||||07||20261125090500\r"
    b"R|2|^^^LEUK|NEG|||N||||07||20261125090500\r"
    b"R|3|^^^GLUC|NEG|||N||||07||20261125090500\r"
    b"R|4|^^^NITR|NEG|||N||||07||20261125090500\r"
    b"R|5|^^^PROT|35|mg/dL||A||||07||20261125090500\r"
    b"L|1|N\r"
)
PRINTABLE = sorted(name for name, profile in TABLES.profiles.items() if can_print(profile))


def capture(payload: bytes) -> Capture:
    """Give a capture of ``payload``."""
    return Capture(payload=payload, arrived_at=AT, source="bench", way=Way.FOLDER)


def test_a_strip_in_records_is_exact() -> None:
    """LIS02-A2 records H, P, O, R and L (layout after our notes on E1394) with the profile's words, units and marks."""
    assert printed([STRIP], BROOK, TABLES) == RECORDS


def test_a_strip_in_a_table_is_exact() -> None:
    """A header line and a row in the profile's order, its separators and its character set (cp1252: o with acute is F3)."""
    text = printed([Play(number=7, at=AT, patient_id="40700001", word="Rotina", strip_type="pebble-2")], TERN, TABLES)
    header, row, rest = text.split(b"\r\n")
    assert header.startswith(b"Data;Hora;N.\xba;Modo;Doente;")
    assert row == b"25.11.2026;09:05;7;Rotina;40700001;07;Renal;24A01;;;;;;;;;;;;;;;15;<=12;"
    assert rest == b""


def test_a_copy_bears_the_mark_and_a_mix_up_its_numbers() -> None:
    """The scenario's reprint and unit mix-up must differ from the first print in just that."""
    copy = Play(number=7, at=AT, patient_id="40700001", word="S", strip_type="sedge-5", ranks={"protein": 1}, is_copy=True)
    assert printed([copy], BROOK, TABLES) == RECORDS.replace(b"|24A01\r", b"|24A01|RESENT\r")
    mixed = Play(number=7, at=AT, patient_id="40700001", word="S", strip_type="sedge-5", other_units=True)
    values = [record.split(b"|")[2:5] for record in printed([mixed], BROOK, TABLES).split(b"\r") if record.startswith(b"R")]
    assert values == [
        [b"^^^PHVA", b"5.2", b""],
        [b"^^^LEUK", b"NEG", b""],
        [b"^^^GLUC", b"4.4", b""],
        [b"^^^NITR", b"NEG", b""],
        [b"^^^PROT", b"0.35", b""],
    ]


def test_frames_are_those_of_an_independent_sender() -> None:
    """LIS01-A2: frames of at most 240 characters, numbered from 1, ETB in all but the last; built here by other code."""
    pieces = [RECORDS[start : start + 240] for start in range(0, len(RECORDS), 240)]
    assert len(pieces) == 2
    expected = b"\x05" + frame(1, pieces[0], end=b"\x17") + frame(2, pieces[1], end=b"\x03") + b"\x04"
    assert framed(RECORDS, BROOK) == expected
    assert framed(RECORDS, TERN) == RECORDS


def test_a_slip_cannot_be_made_up() -> None:
    """A slip's patterns cannot be turned round; simulate plays the worked example instead."""
    assert PRINTABLE == ["brook", "brook-file", "dipper", "fjord", "heron", "lark", "tern"]


@pytest.mark.parametrize("name", PRINTABLE)
def test_every_step_of_every_pad_is_read_back(name: str) -> None:
    """What is printed for a step is read as the text that the profile maps to that very step: printers and readers agree."""
    profile: Profile = TABLES.profiles[name]
    labels = {pad: label for label, pad in profile.labels.items()}
    word = next(iter(profile.numbers.modes))
    steps = 0
    for kind in sorted(set(profile.strip_types.values())):
        pads = TABLES.strip_types[kind].pads
        for rank in range(max(len(pad.ladder) for pad in pads)):
            ranks = {pad.pad: min(rank, len(pad.ladder) - 1) for pad in pads}
            play = Play(number=1, at=AT, patient_id="40700001", word=word, strip_type=kind, ranks=ranks)
            (reading,) = read_capture(capture(framed(printed([play], profile, TABLES), profile)), profile, analyzer="bench")
            assert isinstance(reading, Reading)
            assert reading.patient_id is not None
            assert reading.patient_id.text == "40700001"
            found = {pad.label.text: pad.value.text for pad in reading.pads}
            assert sorted(found) == sorted(labels[pad] for pad in ranks)
            for pad, expected in ranks.items():
                step = profile.vocabularies[kind, pad].tokens[found[labels[pad]]].step
                assert step is not None
                assert step.rank == expected
                steps += 1
    assert steps >= 20
    assert (profile.framing is Framing.LIS01) is (name in {"brook", "fjord"})
