"""In which language a page speaks: the one of the request that is being answered. English stands in code and templates, the others in catalogues.

A text is put into a language as it is shown, never as it is kept: what the store, the log, a receiver or a program gets stays as it is.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache, cached_property
from gettext import GNUTranslations, NullTranslations
from pathlib import Path
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

from bridge.bench.shift import CAUSES

LOCALES = Path(__file__).parent / "locale"
DOMAIN = "padpost"
SENTENCE = "sentence"  # the context of those that other rooms say
CAUSE = "cause"  # the one place of a sentence that holds words of ours; in any other a person's may stand, and stay as they are
PLACE = re.compile(r"\{(\w+)\}")
Key = TypeVar("Key")


class Sentences:
    """Sentences of other rooms, which are kept in English with their values in them: known again by their shape, and said with the same values."""

    def __init__(self, said: Mapping[str, str]) -> None:
        self._whole = {english: text for english, text in said.items() if not PLACE.search(english)}
        built = sorted((each for each in said.items() if PLACE.search(each[0])), key=lambda each: -len(PLACE.sub("", each[0])))
        self._built = [(_shape(english), text) for english, text in built]  # the longest first: it says most of what it is
        self._causes = [(_shape(english), said[english]) for english in CAUSES if english in said]

    def said(self, english: str) -> str:
        """Give a sentence in the language; as it is where it is none of them."""
        if english in self._whole or not english:
            return self._whole.get(english, english)
        for shape, text in self._built:
            if found := shape.fullmatch(english):
                values = found.groupdict().items()
                return text.format(**{name: self._cause(value) if name == CAUSE else value for name, value in values})
        return english

    def _cause(self, value: str) -> str:
        """Give what went before in a run: words of ours in the language, anything else as it is."""
        for shape, text in self._causes:
            if found := shape.fullmatch(value):
                return text.format(**found.groupdict())
        return value


def _shape(english: str) -> re.Pattern[str]:
    parts = PLACE.split(english)
    return re.compile("".join(re.escape(part) if at % 2 == 0 else f"(?P<{part}>.+)" for at, part in enumerate(parts)), re.DOTALL)


class Said(NamedTuple):
    """What a language says: its texts, and the sentences of other rooms."""

    texts: NullTranslations
    sentences: Sentences


@dataclass(frozen=True, kw_only=True, slots=True)
class Writing:
    """How a language is written: its own name, whether it runs from right to left, and how it gives dates and numbers. ``months`` are short names."""

    name: str
    is_reversed: bool
    months: tuple[str, ...]
    whole_months: tuple[str, ...]
    days: tuple[str, ...]
    decimal_sign: str


class Language:
    """One language, by its tag (RFC 5646).

    ``read`` gives what it says, as somebody first reads a page in it: a site that nobody reads in Spanish holds no Spanish.
    A text with the context of a template's name stands there in place of the one without.
    """

    def __init__(self, tag: str, read: Callable[[], Said]) -> None:
        self.tag = tag
        self._read = read

    @cached_property
    def _said(self) -> Said:
        return self._read()

    @property
    def texts(self) -> NullTranslations:
        """Give its texts."""
        return self._said.texts

    @property
    def sentences(self) -> Sentences:
        """Give the sentences of other rooms."""
        return self._said.sentences

    @cached_property
    def writing(self) -> Writing:
        """Give how it is written: the Unicode CLDR's, as Babel carries them."""
        from babel import Locale  # noqa: PLC0415 - 5 MB of locales, which a site holds as somebody first reads a page

        locale = Locale.parse(self.tag, sep="-")
        short, wide, days = locale.months["format"]["abbreviated"], locale.months["format"]["wide"], locale.days["format"]["wide"]
        return Writing(
            name=locale.get_display_name() or self.tag,
            is_reversed=locale.text_direction == "rtl",
            months=tuple(short[at] for at in range(1, 13)),
            whole_months=tuple(wide[at] for at in range(1, 13)),
            days=tuple(days[at] for at in range(7)),
            decimal_sign=locale.number_symbols["latn"]["decimal"],
        )

    def text(self, english: str, *, page: str = "") -> str:
        """Give a text; the English one where none is known."""
        said = self.texts.pgettext(page, english) if page else english
        return self.texts.gettext(english) if said == english else said


def language_of(tag: str, texts: NullTranslations) -> Language:
    """Give a language with its texts, and none of the sentences of other rooms."""
    return Language(tag, lambda: Said(texts, Sentences({})))


def compiled(catalogue: Catalog) -> GNUTranslations:
    """Give a catalogue as it is looked up in. In memory: no build step can be forgotten."""
    from babel.messages.mofile import write_mo  # noqa: PLC0415 - as above

    file = io.BytesIO()
    write_mo(file, catalogue)
    file.seek(0)
    return GNUTranslations(file)


def address_of(tag: str) -> Path:
    """Give where the catalogue of a language stands."""
    return LOCALES / tag / "LC_MESSAGES" / f"{DOMAIN}.po"


@cache
def language(tag: str) -> Language:
    """Give a language that is shipped. Raises FileNotFoundError where there is no catalogue of it."""
    if tag == ENGLISH.tag:
        return ENGLISH
    if not address_of(tag).is_file():
        raise FileNotFoundError(address_of(tag))
    return Language(tag, lambda: _shipped(tag))


def _shipped(tag: str) -> Said:
    from babel.messages.pofile import read_po  # noqa: PLC0415 - as above

    with address_of(tag).open("rb") as file:
        catalogue = read_po(file, locale=tag)
    sentences = {str(each.id): str(each.string) for each in catalogue if each.context == SENTENCE}
    return Said(compiled(catalogue), Sentences(sentences))


ENGLISH = language_of("en", NullTranslations())
SHIPPED = ("en", "es", "fr")

# One request is answered in one language from its first line to its page, in whichever thread; so it is said once, by the middleware of `interpreter`.
_SPOKEN: ContextVar[Language] = ContextVar("padpost_language", default=ENGLISH)


@contextmanager
def speaking(wanted: Language) -> Iterator[None]:
    """Answer a request in ``wanted``."""
    token = _SPOKEN.set(wanted)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


def spoken() -> Language:
    """Give the language of this request; English outside one."""
    return _SPOKEN.get()


def _(english: str, **values: object) -> str:
    """Give a text in the language of this request, with ``values`` in the places that bear their names; nothing for none."""
    said = english and _SPOKEN.get().texts.gettext(english)  # "" is a catalogue's own head (GNU gettext manual, "Header Entry")
    return said.format(**values) if values else said


def ngettext(one: str, many: str, count: int, **values: object) -> str:
    """Give the text that goes with a count, with ``values`` in the places that bear their names."""
    said = _SPOKEN.get().texts.ngettext(one, many, count)
    return said.format(**values) if values else said


def later(english: str) -> str:
    """Mark a text that is put into a language where it is shown; gives it as it is."""
    return english


def several(one: str, many: str) -> tuple[str, str]:
    """Mark a text with a count that is put into a language where it is shown; gives both forms as they are."""
    return one, many


def decimal(figure: str) -> str:
    """Give a figure of ours with the decimal sign of the language. Never for a value of a pad: that stays as it was printed."""
    return figure.replace(".", _SPOKEN.get().writing.decimal_sign)


class Words(Mapping[Key, str], Generic[Key]):
    """A table of words by what they stand for, each given in the language of the request that asks."""

    def __init__(self, english: Mapping[Key, str]) -> None:
        self.english = english

    def __getitem__(self, key: Key) -> str:
        """Give the word."""
        return _(self.english[key])

    def __iter__(self) -> Iterator[Key]:
        """Go through what there are words for, in order."""
        return iter(self.english)

    def __len__(self) -> int:
        """Count them."""
        return len(self.english)


def wanted_of(header: str, offered: Iterable[str]) -> str:
    """Give which of the languages ``offered`` an Accept-Language header (RFC 9110 12.5.4) asks for first; "" where none."""
    asked: list[tuple[float, int, str]] = []
    for place, part in enumerate(header.split(",")):
        tag, _, weight = part.strip().partition(";")
        try:
            weighed = float(weight.strip().removeprefix("q=") or 1)
        except ValueError:
            continue
        if weighed > 0:
            asked.append((-weighed, place, tag.strip().lower()))
    tags = list(offered)
    for _weighed, _place, tag in sorted(asked):
        for each in tags:
            if tag == each.lower() or tag.split("-")[0] == each.lower():
                return each
    return ""
