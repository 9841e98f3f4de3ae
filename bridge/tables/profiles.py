"""Analyzer profiles: from a mapping file's plain values to a typed profile that contradicts itself nowhere."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from types import MappingProxyType
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from bridge.errors import TableError
from bridge.model import Sex
from bridge.tables import layouts
from bridge.tables.documents import NumbersRow, ProfileDocument
from bridge.tables.layouts import nearest
from bridge.tables.patterns import pattern
from bridge.tables.types import (
    DelimitedLayout,
    Framing,
    Hl7Layout,
    JsonLayout,
    Layout,
    Lis2Layout,
    ModeRule,
    NumberScheme,
    PadVocabulary,
    Profile,
    ProfileExample,
    SeriesRule,
    SlipLayout,
    StripType,
)
from bridge.tables.vocabulary import vocabulary
from bridge.tables.words import check_word_texts
from bridge.wire.lis01 import ENQ, EOT, build_frame

Path = tuple[str | int, ...]
Section = Lis2Layout | DelimitedLayout | SlipLayout | Hl7Layout | JsonLayout

_PROBE = datetime(2026, 11, 25, 13, 45, 7)  # noqa: DTZ001 - a printed time has no zone; ours: no two of its parts are alike
_EXAMPLE_FRAME = 240  # [LIS01] frame text of the 1995 edition; wire.md section 7


def profile(name: str, document: ProfileDocument, types: Mapping[str, StripType], *, zone: ZoneInfo) -> Profile:
    """Give a profile. ``zone`` stands for ``zone: site``. Raises TableError."""
    path: Path = (f"profiles/{name}.yaml",)
    section, found = _section(document, path)
    _check_dates(document, found, path)
    _check_words(document, found, path)
    return Profile(
        name=name,
        title=document.title,
        framing=document.framing,
        layout=document.layout,
        charset=document.charset,
        zone=_zone(document.zone, zone, path),
        unit_system=document.unit_system,
        date_format=document.date_format,
        time_format=document.time_format,
        numbers=_numbers(document.numbers, found, (*path, "numbers")),
        labels=MappingProxyType(dict(document.labels)),
        strip_types=MappingProxyType(_strip_types(document, found, types, path)),
        vocabularies=MappingProxyType(_vocabularies(document, types, path)),
        marks=None if document.marks is None else MappingProxyType(dict(document.marks)),
        copy_marks=frozenset(document.copy_marks),
        fault_tokens=frozenset(document.fault_tokens),
        lis2=section if isinstance(section, Lis2Layout) else None,
        delimited=section if isinstance(section, DelimitedLayout) else None,
        slip=section if isinstance(section, SlipLayout) else None,
        hl7=section if isinstance(section, Hl7Layout) else None,
        json=section if isinstance(section, JsonLayout) else None,
        birth_format=document.birth_format,
        collected_format=document.collected_format,
        sexes=MappingProxyType({word: None if sex == "U" else Sex(sex) for word, sex in document.sexes.items()}),
        send_again=document.send_again,
        read_by=document.reading,
        example=ProfileExample(payload=_example(document, path), expect=document.example.expect),
    )


def _section(document: ProfileDocument, path: Path) -> tuple[Section, frozenset[str]]:
    """Give the layout's section, typed, and what it finds; refuse a missing section, or another layout's."""
    given = {
        Layout.LIS2: document.lis2,
        Layout.DELIMITED: document.delimited,
        Layout.SLIP: document.slip,
        Layout.HL7: document.hl7,
        Layout.JSON: document.json_,
    }
    for layout, section in given.items():
        if (section is not None) != (layout is document.layout):
            said = "is missing" if section is None else f"stands beside layout: {document.layout.value}"
            raise TableError(
                f"The section {layout.value!r} {said}.",
                remedy=f"Give exactly the section {document.layout.value!r}.",
                path=(*path, layout.value),
            )
    _check_form(document, path)
    if document.lis2:
        return layouts.lis2(document.lis2, (*path, "lis2"))
    if document.delimited:
        return layouts.delimited(document.delimited, (*path, "delimited"))
    if document.hl7:
        return layouts.hl7(document.hl7, (*path, "hl7"))
    if document.json_:
        return layouts.json(document.json_, (*path, "json"))
    assert document.slip is not None
    return layouts.slip(document.slip, (*path, "slip"))


def _check_form(document: ProfileDocument, path: Path) -> None:
    """Refuse link frames and character sets that a layout cannot have."""
    if document.layout in {Layout.HL7, Layout.JSON} and document.framing is not Framing.NONE:
        raise TableError(
            f"The layout {document.layout.value} does not come in frames of LIS01-A2.",
            remedy="Use framing: none.",
            path=(*path, "framing"),
        )
    allowed = {Layout.HL7: ("ascii", "latin-1", "iso8859-15", "utf-8"), Layout.JSON: ("utf-8",)}.get(document.layout)
    if allowed and document.charset not in allowed:
        raise TableError(
            f"The layout {document.layout.value} does not come in the character set {document.charset}.",
            remedy=f"Use {' or '.join(allowed)}.",
            path=(*path, "charset"),
        )


def _zone(name: str, site: ZoneInfo, path: Path) -> ZoneInfo:
    if name == "site":
        return site
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise TableError(
            f"No time zone is called {name!r}.", remedy="Use site, or a name such as Europe/Lisbon.", path=(*path, "zone")
        ) from error


def _check_dates(document: ProfileDocument, found: frozenset[str], path: Path) -> None:
    for key, name, text in (
        ("date_format", "printed_date", document.date_format),
        ("time_format", "printed_time", document.time_format),
        ("birth_format", "birth_date", document.birth_format),
        ("collected_format", "collected", document.collected_format),
    ):
        if bool(text) != (name in found):
            said = "The layout finds no" if text else "No format is given for the"
            raise TableError(f"{said} {name}.", remedy=f"Give {key} and {name} both, or neither.", path=(*path, key))
        if text:
            _check_format(key, text, path)
    if document.numbers.series is SeriesRule.DAILY and not document.date_format:
        raise TableError(
            "Numbers restart daily, but no date is printed.",
            remedy="Use series: fall, or read the date.",
            path=(*path, "numbers", "series"),
        )


def _check_format(key: str, text: str, path: Path) -> None:
    """Refuse a format that strptime cannot read back, and one that leaves a part of the date to be guessed."""
    try:
        again = datetime.strptime(_PROBE.strftime(text), text)  # noqa: DTZ007 - a printed time has no zone
    except (ValueError, IndexError) as error:
        raise TableError(
            f"{text!r} cannot be read back: {error}.", remedy="Use strptime codes such as %d.%m.%Y.", path=(*path, key)
        ) from error
    if "%I" in text and "%p" not in text:
        raise TableError(
            f"{text!r} counts twelve hours and does not say which half of the day.",
            remedy="Use %H; or %I with %p, where the analyzer prints AM or PM. Set the analyzer to 24 hours if it can.",
            path=(*path, key),
        )
    if key == "collected_format" and (again.hour, again.minute) != (_PROBE.hour, _PROBE.minute):
        raise TableError(
            f"{text!r} does not name hour and minute.",
            remedy="Use %H and %M as well: without them nobody knows how old the specimen was.",
            path=(*path, key),
        )
    if key != "time_format" and ("%y" in text or again.date() != _PROBE.date()):
        raise TableError(
            f"{text!r} does not name day, month and four-digit year.",
            remedy="Use %Y, %m and %d: a guessed century is a guessed date.",
            path=(*path, key),
        )


def _check_words(document: ProfileDocument, found: frozenset[str], path: Path) -> None:
    """Refuse a list of words for something that the layout does not find, and the other way round; then the words themselves."""
    for key, name, given in (
        ("marks", "mark", document.marks is not None),
        ("copy_marks", "copy_mark", bool(document.copy_marks)),
        ("fault_tokens", "fault", bool(document.fault_tokens)),
        ("sexes", "sex", bool(document.sexes)),
    ):
        if given != (name in found):
            said = f"The layout finds no {name}" if given else f"The layout finds a {name}, but no words are given for it"
            raise TableError(f"{said}.", remedy=f"Give both {key} and a place of {name}, or neither.", path=(*path, key))
    _check_forms(document.printed, path)
    _check_blanks(document, path)


def _check_forms(forms: Iterable[str], path: Path) -> None:
    for form in forms:
        bare = form.replace("{grade}", "").replace("{value}", "").replace("{unit}", "")
        if "{" in bare or "}" in bare or ("{grade}" not in form and "{value}" not in form):
            raise TableError(
                f"{form!r} is no form of a value.", remedy="Make it of {grade}, {value} and {unit}.", path=(*path, "printed")
            )


def _check_blanks(document: ProfileDocument, path: Path) -> None:
    for where, texts in _texts(document):
        for text in texts:
            if text != " ".join(text.split()):
                raise TableError(
                    f"{text!r} has outer or double blanks, which are not compared.",
                    remedy="Write it with single blanks.",
                    path=(*path, *where),
                )


def _texts(document: ProfileDocument) -> list[tuple[Path, tuple[str, ...]]]:
    texts: list[tuple[Path, tuple[str, ...]]] = [(("words", grade.value), words) for grade, words in document.words.items()]
    for pad, words_of in document.pad_words.items():
        texts += [(("pad_words", pad, grade.value), words) for grade, words in words_of.items()]
    for pad, texts_of in document.word_texts.items():
        texts += [(("word_texts", pad, word), words) for word, words in texts_of.items()]
    texts += [(("units", unit), words) for unit, words in document.units.items()]
    texts += [(("labels", label), (label,)) for label in document.labels]
    texts += [(("sexes", word), (word,)) for word in document.sexes]
    return texts


def _numbers(row: NumbersRow, found: frozenset[str], path: Path) -> NumberScheme:
    made = pattern(row.pattern, (*path, "pattern"), needs=frozenset({"number"}))
    if "number" not in found:
        raise TableError("The layout finds no number.", remedy="Say where the strip's number is.", path=path)
    _check_mode_words([mode.word for mode in row.modes], inside="mode" in made.groupindex, beside="purpose" in found, path=path)
    return NumberScheme(
        pattern=row.pattern,
        series=row.series,
        first=row.first,
        shared=row.shared,
        modes=MappingProxyType(
            {m.word: ModeRule(word=m.word, mode=m.mode, purpose=m.purpose, priority=m.priority) for m in row.modes}
        ),
    )


def _check_mode_words(words: list[str], *, inside: bool, beside: bool, path: Path) -> None:
    """Refuse a word of two meanings, and words that stand in two places (``inside`` the number, ``beside`` it) or in none."""
    for index, word in enumerate(words):
        if word in words[:index]:
            raise TableError(f"The word {word!r} has two meanings.", remedy="Keep one.", path=(*path, "modes", index, "word"))
    if inside and beside:
        raise TableError(
            "The mode stands both in the number and in a field of its own.", remedy="Read one of them.", path=(*path, "pattern")
        )
    if not inside and not beside and words != [""]:
        raise TableError(
            "Nothing says which mode a strip has.",
            remedy="Read purpose, name a group 'mode' in the pattern, or keep only the word \"\".",
            path=(*path, "modes"),
        )


def _strip_types(document: ProfileDocument, found: frozenset[str], types: Mapping[str, StripType], path: Path) -> dict[str, str]:
    for printed, name in document.strip_types.items():
        here = (*path, "strip_types", printed)
        if name not in types:
            raise TableError(f"There is no strip type {name!r}.", remedy=nearest(name, types), path=here)
        if bool(printed) != ("strip_type" in found):
            raise TableError(
                "The layout reads no strip type, but several are named."
                if printed
                else "The layout reads the strip type, but its text is empty.",
                remedy='Read strip_type, or name one strip type under "".',
                path=here,
            )
    _check_labels(document, types, path)
    check_word_texts(document, types, path)
    return dict(document.strip_types)


def _check_labels(document: ProfileDocument, types: Mapping[str, StripType], path: Path) -> None:
    """Refuse a label for a pad that no strip has, and a pad without a label."""
    names = sorted(set(document.strip_types.values()))
    known = {pad.pad for name in names for pad in types[name].pads}
    for label, key in document.labels.items():
        if key not in known:
            raise TableError(
                f"The pad {key!r} is on none of this profile's strip types.",
                remedy=nearest(key, known),
                path=(*path, "labels", label),
            )
    for name in names:
        for pad in types[name].pads:
            if pad.pad not in document.labels.values():
                raise TableError(
                    f"No label names the pad {pad.pad!r} of {name}.",
                    remedy=f"Add its printed label: LABEL: {pad.pad}.",
                    path=(*path, "labels"),
                )


def _vocabularies(document: ProfileDocument, types: Mapping[str, StripType], path: Path) -> dict[tuple[str, str], PadVocabulary]:
    return {
        (name, pad.pad): vocabulary(pad, document, path)
        for name in sorted(set(document.strip_types.values()))
        for pad in types[name].pads
    }


def _example(document: ProfileDocument, path: Path) -> bytes:
    """Give the example's bytes; with framing lis01 its text goes into frames of one message."""
    try:
        text = document.example.payload.encode("latin-1")
    except UnicodeEncodeError as error:
        raise TableError(
            "The example holds a character above U+00FF.",
            remedy="Write it byte by byte, one character a byte.",
            path=(*path, "example", "payload"),
        ) from error
    if document.framing is Framing.NONE:
        return text
    pieces = [text[at : at + _EXAMPLE_FRAME] for at in range(0, len(text), _EXAMPLE_FRAME)]
    frames = [build_frame(number % 8, piece, is_last=number == len(pieces)) for number, piece in enumerate(pieces, start=1)]
    return ENQ + b"".join(frames) + EOT
