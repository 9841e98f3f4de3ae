"""The closed vocabulary: every text that an analyzer may print for a pad of a strip type.

Made from the ladder, the profile's words, decimal sign and unit texts. Anything else that is printed is
unknown, and unknown never becomes negative.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from bridge.errors import TableError
from bridge.model import Quantity, Step, UnitSystem
from bridge.tables.documents import ProfileDocument
from bridge.tables.types import PadVocabulary, StripPad, Token

Path = tuple[str | int, ...]


def printed_units(pad: StripPad, system: UnitSystem) -> frozenset[str]:
    """Give the UCUM units of the numbers that this pad may print under ``system``."""
    return frozenset(number.unit for step in pad.ladder if (number := number_of(step, pad, system)) is not None)


def number_of(step: Step, pad: StripPad, system: UnitSystem) -> Quantity | None:
    """Give the number that ``system`` prints for a step; None where it prints the grade alone.

    A pad without an SI scale (pH, specific gravity) prints its one number under SI too; under
    arbitrary units only a step without a grade prints its number.
    """
    if system is UnitSystem.SI and pad.si_property is not None:
        return step.si
    if system is UnitSystem.ARBITRARY and step.grade is not None:
        return None
    return step.conventional


def vocabulary(pad: StripPad, profile: ProfileDocument, path: Path) -> PadVocabulary:
    """Give the vocabulary of one pad. Raises TableError where a text is missing or two steps share one.

    ``path`` leads to the profile file, for the error.
    """
    declared, elsewhere = _declared_steps(pad, profile, path), _elsewhere(pad, profile, path)
    return PadVocabulary(
        pad=pad.pad,
        tokens={  # what the declared system prints keeps its meaning
            text: Token(step=declared.get(text), elsewhere=elsewhere.get(text, {})) for text in declared | elsewhere
        },
        units=_units_beside(pad, profile, path),
        units_elsewhere={
            system: frozenset(text for unit in printed_units(pad, system) for text in profile.units.get(unit, ()))
            for system in _other_systems(profile)
        },
    )


def possible_elsewhere(words: PadVocabulary, value: str, unit: str) -> dict[UnitSystem, frozenset[int]]:
    """Give each other unit system in which ``value`` could stand beside ``unit``, with the ranks of the steps that it would mean.

    An empty unit fits every system: a unit that was not printed decides nothing.
    """
    token = words.tokens.get(value)
    if token is None:
        return {}
    return {
        system: ranks for system, ranks in token.elsewhere.items() if not unit or unit in words.units_elsewhere.get(system, ())
    }


def _other_systems(profile: ProfileDocument) -> tuple[UnitSystem, ...]:
    return tuple(system for system in UnitSystem if system is not profile.unit_system)


def _declared_steps(pad: StripPad, profile: ProfileDocument, path: Path) -> dict[str, Step]:
    """Give the step that each text of the declared unit system means. Raises TableError where two steps share one."""
    steps: dict[str, Step] = {}
    for step in pad.ladder:
        for text in _texts(step, pad, profile, profile.unit_system, path=path):
            earlier = steps.setdefault(text, step)
            if earlier is not step:
                raise TableError(
                    f"{pad.pad}: {step_name(earlier)} and {step_name(step)} are both printed as {text!r}.",
                    remedy="Give each step words of its own.",
                    path=(*path, "words"),
                )
    return steps


def _elsewhere(pad: StripPad, profile: ProfileDocument, path: Path) -> dict[str, dict[UnitSystem, frozenset[int]]]:
    """Give, for each text of another unit system, the ranks of the steps that it stands for in each."""
    found: dict[str, dict[UnitSystem, frozenset[int]]] = {}
    for system in _other_systems(profile):
        for step in pad.ladder:
            for text in _texts(step, pad, profile, system, path=path):
                ranks = found.setdefault(text, {})
                ranks[system] = ranks.get(system, frozenset()) | {step.rank}
    return found


def step_name(step: Step) -> str:
    """Give a step's name for people: its word or grade, else its conventional number as on the ladder."""
    if step.word:
        return step.word
    if step.grade is not None:
        return step.grade.value
    assert step.conventional is not None
    return f"{step.conventional.comparator}{step.conventional.value}"


def _units_beside(pad: StripPad, profile: ProfileDocument, path: Path) -> frozenset[str]:
    """Give the texts that may stand in the unit's own place: "" where a value may stand alone."""
    if not prints_units(profile):
        return frozenset({""})
    texts = {text for unit in printed_units(pad, profile.unit_system) for text in _unit_texts(unit, profile, path)}
    may_be_bare = any("{value}" not in form for form in profile.printed)
    if any(number_of(step, pad, profile.unit_system) is None or (may_be_bare and step.grade) for step in pad.ladder):
        texts.add("")
    return frozenset(texts)


def prints_units(profile: ProfileDocument) -> bool:
    """Say whether the layout has a place of its own for the unit."""
    if profile.lis2 is not None:
        return "unit" in profile.lis2.fields
    if profile.delimited is not None:
        return any(column.startswith("unit:") for column in profile.delimited.columns)
    if profile.hl7 is not None:
        return "unit" in profile.hl7.fields
    if profile.json_ is not None:
        return "unit" in profile.json_.fields
    return profile.slip is not None and any("(?P<unit>" in line.pattern for line in profile.slip.lines)


def _unit_texts(unit: str, profile: ProfileDocument, path: Path) -> tuple[str, ...]:
    texts = profile.units.get(unit, ())
    if not texts:
        raise TableError(
            f"The profile says nothing about how the unit {unit!r} is printed.",
            remedy=f'Add "{unit}": [...] with each printed text, or [""] if it is not printed.',
            path=(*path, "units"),
        )
    return texts


def _texts(step: Step, pad: StripPad, profile: ProfileDocument, system: UnitSystem, *, path: Path) -> Iterator[str]:
    """Give every text in which a step may be printed under a unit system, inner blanks single."""
    own = system is profile.unit_system
    number = number_of(step, pad, system)
    grades = _grade_texts(step, pad, profile, path)
    values = (_number_text(number, profile),) if number is not None else ()
    for form in profile.printed if own else (*profile.printed, "{grade}" if system is UnitSystem.ARBITRARY else "{value}"):
        fitting = _fitting(form, has_grade=bool(grades), has_number=bool(values))
        units = _unit_texts(number.unit, profile, path) if number is not None and "{unit}" in fitting else ("",)
        for grade, value, unit in product(grades or ("",), values or ("",), units):
            yield " ".join(fitting.replace("{grade}", grade).replace("{value}", value).replace("{unit}", unit).split())


def _fitting(form: str, *, has_grade: bool, has_number: bool) -> str:
    """Fit a form to a step: what the step lacks is left out, and a form that would be empty prints what there is."""
    if not has_number:
        return "{grade}"
    if not has_grade:
        form = form.replace("{grade}", "")
    return form if "{value}" in form or "{grade}" in form else "{value}"


def _grade_texts(step: Step, pad: StripPad, profile: ProfileDocument, path: Path) -> tuple[str, ...]:
    if step.word:
        return _word_texts(step.word, pad, profile, path)
    if step.grade is None:
        return ()
    texts = profile.pad_words.get(pad.pad, {}).get(step.grade) or profile.words.get(step.grade, ())
    if not texts and (number_of(step, pad, profile.unit_system) is None or any("{grade}" in form for form in profile.printed)):
        raise TableError(
            f"The profile has no word for the grade {step.grade.value!r}, which {pad.pad} prints.",
            remedy=f'Add "{step.grade.value}": [...] with each printed word.',
            path=(*path, "words"),
        )
    return texts


def _word_texts(word: str, pad: StripPad, profile: ProfileDocument, path: Path) -> tuple[str, ...]:
    texts = profile.word_texts.get(pad.pad, {}).get(word, ())
    if not texts:
        raise TableError(
            f"The profile has no text for the word {word!r}, which {pad.pad} prints.",
            remedy=f'Add {pad.pad}: {{"{word}": [...]}} with each printed text.',
            path=(*path, "word_texts"),
        )
    return texts


def _number_text(number: Quantity, profile: ProfileDocument) -> str:
    texts: dict[str, str] = {str(sign): text for sign, text in profile.comparators.items()}
    return texts.get(number.comparator, number.comparator) + format(number.value, "f").replace(".", profile.decimal)
