"""Which value form a message carries, and every coded pad that one profile and strip type can give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bridge.coding import Unmapped, every_coding
from bridge.errors import TableError
from bridge.model import CodedPad, Flag, Quantity, Step, UnitSystem, ValueForm
from bridge.tables.types import Profile, StripPad, StripType, Tables

# What decides a pad's prepared text: its key, the chosen form, the flag, and what is expected (words, low, high), which differs from band
# to band. The printed text is filled in later.
TextKey = tuple[str, ValueForm, Flag, str, str, str]


def choose(pad: CodedPad, order: tuple[UnitSystem, ...]) -> ValueForm:
    """Give the one form that goes into the message: the first of ``order`` that the pad has.

    A step may lack a form ("negative" has no number on many ladders): the next one goes, and
    at last whichever the pad has, so that a value is never left out.
    """
    for system in order:
        for form in pad.forms:
            if form.system is system:
                return form
    return pad.forms[0]


def text_key(pad: CodedPad, order: tuple[UnitSystem, ...]) -> TextKey:
    """Give the key of the pad's prepared text."""
    return (pad.pad, choose(pad, order), pad.flag, pad.expected, _bound(pad.low), _bound(pad.high))


def _bound(bound: Quantity | None) -> str:
    """Give a bound as text: as numbers 5 and 5.0 would be one, and a message prints them apart."""
    return f"{bound.value} {bound.unit}" if bound else ""


def number_text(quantity: Quantity) -> str:
    """Give the number in plain digits with its trailing zeros, without comparator: 1.010 stays 1.010."""
    return format(quantity.value, "f")


def ranged(pad: CodedPad, form: ValueForm) -> bool:
    """Say whether the pad's numeric range may stand beside this form: only in the form's own unit."""
    bounds = [bound for bound in (pad.low, pad.high) if bound is not None]
    return bool(bounds) and isinstance(form.value, Quantity) and all(bound.unit == form.value.unit for bound in bounds)


def expectation(pad: CodedPad, form: ValueForm) -> str:
    """Give the reference expectation as text, empty where it would be in another unit than the value."""
    if isinstance(form.value, Quantity) and (pad.low or pad.high) and not ranged(pad, form):
        return ""
    return pad.expected


def every_pad(profile_name: str, strip_type_name: str, tables: Tables) -> Mapping[str, tuple[CodedPad, ...]]:
    """Give, for each pad in strip order, the coded pads of all its steps, of all texts that print them, for everyone and in every band, with every flag.

    Raises TableError if profile or strip type is unknown, or if a value has no code.
    """
    try:
        profile, strip_type = tables.profiles[profile_name], tables.strip_types[strip_type_name]
    except KeyError as error:
        raise TableError(
            f"The tables have no {error.args[0]!r}.", remedy="Name a profile and a strip type of the mappings."
        ) from error
    able = _with_rules_of(strip_type, tables)
    return {pad.pad: _all_steps(pad, profile, strip_type, able) for pad in strip_type.pads}


def _with_rules_of(strip_type: StripType, tables: Tables) -> Tables:
    """Give the tables with those critical rules that a strip of this type can meet: it has all their pads."""
    has = {pad.pad for pad in strip_type.pads}
    rules = tuple(rule for rule in tables.flags.critical if all(condition.pad in has for condition in rule.when))
    return replace(tables, flags=replace(tables.flags, critical=rules))


def _all_steps(pad: StripPad, profile: Profile, strip_type: StripType, tables: Tables) -> tuple[CodedPad, ...]:
    path = (f"strip_types/{strip_type.name}.yaml", "pads", pad.pad)
    if pad.pad not in tables.catalogue.pads:
        raise TableError(f"The pad {pad.pad!r} is not in the catalogue.", remedy="Add it to catalogue.yaml.", path=path)
    try:
        return tuple(
            coded
            for step in pad.ladder
            for printed in _printed(step, pad.pad, profile, strip_type.name)
            for coded in every_coding(tables.catalogue.pads[pad.pad], pad, step, tables, printed=printed)
        )
    except Unmapped as error:
        raise TableError(f"{error}.", remedy="Add the code to catalogue.yaml.", path=path) from error


def _printed(step: Step, pad: str, profile: Profile, strip_type: str) -> tuple[str, ...]:
    """Give the texts that mean ``step`` under the profile; where it has none, the step's own words."""
    vocabulary = profile.vocabularies.get((strip_type, pad))
    texts = sorted(text for text, token in vocabulary.tokens.items() if token.step == step) if vocabulary else []
    return tuple(texts) or (_own_words(step),)


def _own_words(step: Step) -> str:
    if step.grade is not None:
        return step.grade.value
    number = step.conventional or step.si
    return f"{number.comparator}{number_text(number)}" if number else ""
