"""Captures of the shipped profiles with any text in a pad's place, written apart from bridge/demo/printers.py; and texts that no pad may take.

Each profile's lines stand here as its worked example has them (mappings/profiles/), so slips can be written too.
"""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache

import yaml

from bridge.model import Grade, Step
from bridge.settings import shipped_mappings
from bridge.tables.types import Profile, Tables
from tests.receive.independent_sender import frame

Pads = Mapping[str, tuple[str, str, bool]]
"""Pad key -> (value, unit, abnormal) as the analyzer prints it."""


@dataclass(frozen=True, kw_only=True)
class Printout:
    """One strip to write: its type (ours), and its pads in the strip's order."""

    strip_type: str
    pads: Pads
    patient: str = field(default="40718823")


def capture(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    """Give the bytes that this profile's analyzer sends for some strips."""
    text = _WRITERS[profile.name](profile, printouts)
    return framed(text) if profile.framing.value == "lis01" else text


def framed(text: bytes) -> bytes:
    """Put a message into LIS01-A2 frames of 240 characters by the tests' own sender."""
    pieces = [text[start : start + 240] for start in range(0, len(text), 240)]
    frames = [
        frame((number + 1) % 8, piece, end=b"\x03" if number == len(pieces) - 1 else b"\x17")
        for number, piece in enumerate(pieces)
    ]
    return b"\x05" + b"".join(frames) + b"\x04"


def encoded(text: str, charset: str) -> bytes:
    """Give the text in the analyzer's character set; a sign that the set lacks in UTF-8, as from another machine."""
    return b"".join(_sign(sign, charset) for sign in text)


def _sign(sign: str, charset: str) -> bytes:
    try:
        return sign.encode(charset)
    except UnicodeEncodeError:
        return sign.encode("utf-8", "surrogatepass")


def _type_of(profile: Profile, strip_type: str) -> str:
    return next(text for text, ours in profile.strip_types.items() if ours == strip_type)


def _label_of(profile: Profile, pad: str) -> str:
    return next(text for text, ours in profile.labels.items() if ours == pad)


def _rows(profile: Profile, printout: Printout) -> Iterator[tuple[str, str, str, bool]]:
    for pad, (value, unit, abnormal) in printout.pads.items():
        yield _label_of(profile, pad), value, unit, abnormal


def _brook(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    lines = ["H|\\^&|||BROOK^0007^2.1|||||||P|LIS2-A2|20261125091500"]
    for number, each in enumerate(printouts, 1):
        lines += [f"P|{number}||{each.patient}", f"O|1||N{number:05}|^^^{_type_of(profile, each.strip_type)}||||||||||||||22B07"]
        lines += [
            f"R|{count}|^^^{label}|{value}|{unit}||{'A' if abnormal else 'N'}||F||07||202611250914{number:02}"
            for count, (label, value, unit, abnormal) in enumerate(_rows(profile, each), 1)
        ]
    return encoded("\r".join([*lines, "L|1|N", ""]), profile.charset)


def _fjord(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    lines = ["H!~*$!!!FJORD*12"]
    for number, each in enumerate(printouts, 1):
        kind = _type_of(profile, each.strip_type)
        lines += [f"P!{number}!{each.patient}", f"O!1!!{number:03}!***{kind}!!!202611251015{number:02}!!!!!!!!!!!90K3"]
        lines += [
            f"R!{count}!***{label}!{value}!!!{'A' if abnormal else 'N'}"
            for count, (label, value, _, abnormal) in enumerate(_rows(profile, each), 1)
        ]
    return encoded("\r".join([*lines, "L!1!N", ""]), profile.charset)


def _table(profile: Profile, printouts: Sequence[Printout], fields: Mapping[str, str]) -> bytes:
    """Give a header and a row a strip; ``fields`` are the cells that are no pad, with {n} for the strip's count."""
    layout = profile.delimited
    assert layout is not None
    lines = [layout.delimiter.join(layout.header)]
    for number, each in enumerate(printouts, 1):
        cells = {name: text.replace("{n}", str(number)).replace("{nn}", f"{number:02}") for name, text in fields.items()}
        cells |= {"patient_id": each.patient, "strip_type": _type_of(profile, each.strip_type)}
        cells |= {f"pad:{label}": value for label, value, _, _ in _rows(profile, each)}
        row = [""] * layout.width
        for name, place in layout.columns.items():
            row[place] = cells.get(name, "")
        lines.append(layout.delimiter.join(row))
    return encoded("\r\n".join([*lines, ""]), profile.charset)


def _brook_file(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    return _table(profile, printouts, {"number": "N000{nn}", "printed_date": "2026-11-25 09:14:{nn}", "operator": "07"})


def _tern(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    return _table(
        profile, printouts, {"number": "{n}", "printed_date": "25.11.2026", "printed_time": "08:{nn}", "purpose": "Rotina"}
    )


def _alder(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    slips = []
    for number, each in enumerate(printouts, 1):
        lines = [
            "ALDER  URINE STRIP",
            f"No. {number:04}",
            f"25/11/2026  08:{number:02}",
            f"Patient {each.patient}",
            "Operator 07",
        ]
        lines += [f"Strip {_type_of(profile, each.strip_type)}  Lot 44L10", "-" * 16]
        for label, value, unit, abnormal in _rows(profile, each):
            lines.append(f"{label:3} {'!' if abnormal else ' '} {value}{f' {unit}' if unit else ''}")
        slips.append("\r\n".join([*lines, "end of slip", "\f"]))
    return encoded("".join(slips), profile.charset)


def _moss(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    slips = []
    for number, each in enumerate(printouts, 1):
        lines = ["MOSS Harnstreifen", f"Nr {number:03}p", f"Patient {each.patient}", "Platz 2"]
        for label, value, _, abnormal in _rows(profile, each):
            lines.append(f"{label:8}: {value}{' <--' if abnormal else ''}")
        slips.append("\r\n".join([*lines, "\f"]))
    return encoded("".join(slips), profile.charset)


def _heron(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    return _table(
        profile, printouts, {"number": "{n}", "printed_date": "25-11-2026 07:{nn}", "purpose": "ward", "operator": "R4"}
    )


def _wren(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    slips = []
    for number, each in enumerate(printouts, 1):
        lines = ["WREN  URINE", f"Test  {number:03}  2026-11-25  10:{number:02}", f"Pat.  {each.patient}", "User  14"]
        lines.append(f"Type  {_type_of(profile, each.strip_type)}  Lot  61R09")
        for label, value, unit, abnormal in _rows(profile, each):
            lines.append(f"{'*' if abnormal else ' '}{label:8} {value}{f'  {unit}' if unit else ''}")
        slips.append("\r\n".join([*lines, "=" * 20, "\f"]))
    return encoded("".join(slips), profile.charset)


def _dipper(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    lines = ["MSH|^~\\&|DIPPER|BENCH|||20261125091500||ORU^R01^ORU_R01|D1|P|2.5.1||||||8859/1"]
    for number, each in enumerate(printouts, 1):
        lines += [f"PID|1||{each.patient}^^^CLINIC^MR", f"OBR|1||{number:05}|{_type_of(profile, each.strip_type)}"]
        lines += [
            f"OBX|{count}|ST|{label}||{value}|{unit}||{'A' if abnormal else 'N'}|||F|||||07|||202611250914{number:02}"
            for count, (label, value, unit, abnormal) in enumerate(_rows(profile, each), 1)
        ]
    return encoded("\r".join([*lines, ""]), "latin-1")


def _lark(profile: Profile, printouts: Sequence[Printout]) -> bytes:
    readings = [
        {
            "number": str(number),
            "printed_date": f"2026-11-25T09:14:{number:02}",
            "patient_id": each.patient,
            "operator": "07",
            "strip_type": _type_of(profile, each.strip_type),
            "strip_lot": "22B07",
            "pads": [
                {"label": label, "value": value, "unit": unit, "mark": "A" if abnormal else "N"}
                for label, value, unit, abnormal in _rows(profile, each)
            ],
        }
        for number, each in enumerate(printouts, 1)
    ]
    return json.dumps({"readings": readings}, ensure_ascii=False).encode("utf-8", "surrogatepass")


_WRITERS = {
    "alder": _alder, "brook": _brook, "brook-file": _brook_file, "dipper": _dipper, "fjord": _fjord, "heron": _heron, "lark": _lark,
    "moss": _moss, "tern": _tern, "wren": _wren,
}  # fmt: skip
NAMES = tuple(sorted(_WRITERS))
# signs that part one field from the next in these layouts: a text with one in it is another record, not another value
SEPARATORS: Mapping[str, str] = {
    "alder": "\r\n\f", "brook": "|\\^&\r\n", "brook-file": '\t"\r\n', "dipper": "|^~\\&\r\n", "fjord": "!~*$\r\n", "heron": ';"\r\n', "lark": "", "moss": "\r\n\f<:", "tern": ';"\r\n',
    "wren": "\r\n\f",
}  # fmt: skip


# --- what a profile's file says that an analyzer prints ----------------------------------------


@cache
def _file(kind: str, name: str) -> dict[str, object]:
    made: dict[str, object] = yaml.safe_load((shipped_mappings() / kind / f"{name}.yaml").read_text(encoding="utf-8"))
    return made


def texts_of(profile: str, strip_type: str, pad: str) -> dict[str, int]:
    """Give each text that the files say is printed for a pad, with its step's place on the ladder; written apart from tables/."""
    said: dict = _file("profiles", profile)  # type: ignore[type-arg] # plain YAML
    row = next(each for each in _file("strip_types", strip_type)["pads"] if each["pad"] == pad)  # type: ignore[attr-defined]
    scale = "si" if said["unit_system"] == "si" and "si" in row else "conventional"
    found: dict[str, int] = {}
    for rank, step in enumerate(row["ladder"]):
        if "word" in step:
            found |= dict.fromkeys(said["word_texts"][pad][step["word"]], rank)
            continue
        grade, number = step.get("grade"), step.get(scale)
        words = said.get("pad_words", {}).get(pad, {}).get(grade) or said["words"].get(grade, [])
        value = (number or "").replace(".", said.get("decimal", "."))
        has_number = number is not None and not (said["unit_system"] == "arbitrary" and grade)
        if not has_number:
            texts = list(words)
        elif said["printed"] == ["{grade} {value}"] and grade:
            texts = [f"{word} {value}" for word in words]
        else:
            texts = [value]
        found |= dict.fromkeys(texts, rank)
    return found


def unit_of(profile: Profile, strip_type: str, pad: str, step: Step) -> str:
    """Give the unit that stands beside a step's number, empty where none does; wren alone prints SI with units."""
    if profile.name == "wren":
        number = step.si or step.conventional
        unit = number.unit if number else ""
        return {"umol/L": "µmol/L", "10*6/L": "M/L", "[pH]": "", "1": ""}.get(unit, unit)
    is_beside = profile.name in ("alder", "brook", "dipper", "lark")
    if not is_beside or step.conventional is None:
        return ""
    return "" if step.conventional.unit in ("[pH]", "1") else step.conventional.unit


# --- texts that are no value -------------------------------------------------------------------

FULL_WIDTH = {ord(sign): ord(sign) - 0x20 + 0xFF00 for sign in "0123456789+-<>=."}  # Unicode block FF00, fullwidth forms
LOOK_ALIKES = str.maketrans(
    {"0": "O", "1": "l", "5": "S", "8": "B", "E": "Е", "o": "о", "e": "е", "-": "−", "+": "＋", "a": "а", "i": "і"}
)
FIXED = (
    "", " ", "-", "--", "----", "?", "*", "0", "00", "neg", "Neg", "NEG.", "NEG-", "N EG", "NEGATIVE", "negativ", "POS.", "POSITIVE", "ERR",
    "E04", "1 +", "2 +", "+ 1", "(+)", "+-", "±", "+/-", "1+ ?", "+1.", "5+", "+5", "1e3", "1E3", "0x1E", "1.5.0", "1,5,0", "NaN", "inf", "-60",
    "1/2", "½", "60 60", "6O", "l0", "１２０", "−5", "٣", "三", "<", ">=", ">=>=", "=60", "~60", "60-120", "null", "None", "'60", "=1+1", "%", "TNTC",
)  # fmt: skip
CONTROLS = ("\x00", "\x07", "\x08", "\x1b", "\x7f", "\x85", "\u200b", "\u202e", "\ufeff")


@dataclass(frozen=True, kw_only=True)
class Damage:
    """A text in the place of a pad's value, and what was done to make it."""

    strip_type: str
    pad: str
    kind: str
    text: str


def damages(profile: Profile, tables: Tables, *, each: int, seed: int) -> list[Damage]:
    """Give damaged texts of a profile, up to ``each`` of every kind and the whole fixed list, none of which is printed for its pad; seeded."""
    rng = random.Random(f"{seed} {profile.name}")
    made: dict[str, dict[tuple[str, str, str], Damage]] = {}
    for strip_type, pad in profile.vocabularies:
        known = texts_of(profile.name, strip_type, pad)
        for text in sorted(known):
            for kind, spoilt in _spoilt(text, rng, profile, tables, strip_type=strip_type, pad=pad):
                is_printed = " ".join(spoilt.split()) in known  # outer and double blanks are no part of a value
                is_layout = any(sign in SEPARATORS[profile.name] for sign in spoilt)
                if not is_printed and not is_layout:
                    damage = Damage(strip_type=strip_type, pad=pad, kind=kind, text=spoilt)
                    made.setdefault(kind, {})[strip_type, pad, spoilt] = damage
    chosen = [damage for kind in sorted(made) for damage in rng.sample(list(made[kind].values()), min(each, len(made[kind])))]
    return chosen + _fixed(profile, rng)


def _fixed(profile: Profile, rng: random.Random) -> list[Damage]:
    """Give every text of the fixed list once, on a pad that does not print it."""
    found = []
    for text in FIXED:
        pads = [key for key in profile.vocabularies if " ".join(text.split()) not in texts_of(profile.name, *key)]
        if not any(sign in SEPARATORS[profile.name] for sign in text):
            strip_type, pad = rng.choice(pads)
            found.append(Damage(strip_type=strip_type, pad=pad, kind="fixed", text=text))
    return found


def _spoilt(
    text: str, rng: random.Random, profile: Profile, tables: Tables, *, strip_type: str, pad: str
) -> Iterator[tuple[str, str]]:
    """Give (what was done, the text after it) of a printed text."""
    at = rng.randrange(len(text))
    yield "cut", text[:-1]
    yield "cut", text[1:]
    yield "doubled", text + text
    yield "doubled", f"{text} {text}"
    yield "doubled", text[: at + 1] + text[at:]
    yield "changed", text[:at] + rng.choice("0123456789ABCXYZabcxyz+-.,#") + text[at + 1 :]
    yield "changed", text[:at] + rng.choice("0123456789ABCXYZabcxyz+-.,# ") + text[at:]
    yield "changed", text[::-1]
    yield "case", text.swapcase()
    yield "decimal sign", text.translate(str.maketrans(".,", ",."))
    yield "decimal sign", text.replace(".", "").replace(",", "")
    yield "zeros", f"{text}.0"
    yield "zeros", f"{text}0"
    yield "zeros", f"0{text}"
    for unit in ("mg/dL", "mmol/L", "/uL", " mg/dl"):
        yield "unit glued", f"{text}{unit}"
    for sign in (">", "<", ">=", "<=", "≥", "=", "+", "-", "−"):
        yield "sign before", f"{sign}{text}"
    yield "sign behind", f"{text}+"
    yield "sign behind", f"{text}."
    yield "look-alike", text.translate(FULL_WIDTH)
    yield "look-alike", text.translate(LOOK_ALIKES)
    for control in CONTROLS:
        yield "control", text[:at] + control + text[at:]
    yield from _borrowed(profile, tables, strip_type=strip_type, pad=pad)


def _borrowed(profile: Profile, tables: Tables, *, strip_type: str, pad: str) -> Iterator[tuple[str, str]]:
    """Give other languages' words, other pads' and other strips' values, and numbers between two steps."""
    for other in tables.profiles.values():
        if other is not profile:
            said: dict = _file("profiles", other.name)  # type: ignore[type-arg] # plain YAML
            for grade in Grade:
                for word in said["words"].get(grade.value, []):
                    yield "another analyzer's word", word
    for kind, name in profile.vocabularies:
        if (kind, name) != (strip_type, pad):
            for text in texts_of(profile.name, kind, name):
                yield ("another pad's value" if kind == strip_type else "another strip's value"), text
    ladder = next(each.ladder for each in tables.strip_types[strip_type].pads if each.pad == pad)
    numbers = [step.conventional.value for step in ladder if step.conventional]
    for low, high in itertools.pairwise(numbers):
        yield "between steps", format((low + high) / Decimal(2), "f").replace(".", said_decimal(profile))


def said_decimal(profile: Profile) -> str:
    """Give the profile's decimal sign, from its file."""
    return str(_file("profiles", profile.name).get("decimal", "."))
