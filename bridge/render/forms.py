"""Which value form a message carries, and every coded pad that one profile and strip type can give."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from bridge.coding import Known, Unmapped, code_ratio, code_step, every_addition, every_coding
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


def leaves_bound_out(pad: CodedPad) -> bool:
    """Say whether the one bound of a pad's range is itself outside it: where the expectation begins with it as ``<30`` or ``>30``."""
    bound = pad.low or pad.high
    if bound is None or (pad.low and pad.high):
        return False
    return pad.expected.partition(" ")[0] == f"{'>' if pad.low else '<'}{number_text(bound)}"


def expectation(pad: CodedPad, form: ValueForm) -> str:
    """Give the reference expectation as text, empty where it would be in another unit than the value."""
    if isinstance(form.value, Quantity) and (pad.low or pad.high) and not ranged(pad, form):
        return ""
    return pad.expected


def every_pad(profile_name: str, strip_type_name: str, tables: Tables) -> Mapping[str, tuple[CodedPad, ...]]:
    """Give, for each pad in strip order, the coded pads of all its steps, of all texts that print them, for everyone and in every band, with every flag; then computed ratios, then what people may add where the strip has no such pad.

    Raises TableError if profile or strip type is unknown, or if a value has no code.
    """
    profile, strip_type = _named(profile_name, strip_type_name, tables)
    able = _with_rules_of(strip_type, tables)
    found = {pad.pad: _all_steps(pad, profile, strip_type, able) for pad in strip_type.pads}
    for ratio in every_ratio(profile_name, strip_type_name, tables):
        found[ratio.pad.pad] = (*found.get(ratio.pad.pad, ()), ratio.pad)
    for what, every in every_addition(tables):
        found.setdefault(what.value, every)
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Ratio:
    """A computed ratio, with the two coded pads that it comes from."""

    of: CodedPad
    to: CodedPad
    pad: CodedPad


def every_ratio(profile_name: str, strip_type_name: str, tables: Tables) -> tuple[Ratio, ...]:
    """Give the ratio of every two steps that give one. Raises TableError as ``every_pad`` does."""
    profile, strip_type = _named(profile_name, strip_type_name, tables)
    pads = {pad.pad: pad for pad in strip_type.pads}
    found = []
    for ratio in strip_type.ratios:
        for pair in ratio.steps:
            steps = {name: pads[name].ladder[rank] for name, rank in zip((ratio.of, ratio.to), pair, strict=True)}
            known = {
                name: Known(step=step, printed=_printed(step, name, profile, strip_type.name)[0]) for name, step in steps.items()
            }
            of, to = (
                code_step(
                    tables.catalogue.pads[name],
                    pads[name],
                    known[name].step,
                    tables.catalogue.answers,
                    printed=known[name].printed,
                    read_by=profile.read_by,
                )
                for name in (ratio.of, ratio.to)
            )
            made = code_ratio(ratio, known, tables.catalogue, read_by=profile.read_by)
            assert made is not None  # the pair is one of the ratio's
            found.append(Ratio(of=of, to=to, pad=made))
    return tuple(found)


def with_ratios(pads: Iterable[CodedPad], ratios: Iterable[Ratio]) -> tuple[CodedPad, ...]:
    """Give a strip's pads with those of ``ratios`` that they have the values of, as coding would."""
    known = {pad.pad: pad.forms for pad in pads}
    fitting = (each.pad for each in ratios if (known.get(each.of.pad), known.get(each.to.pad)) == (each.of.forms, each.to.forms))
    return (*pads, *fitting)


def _named(profile_name: str, strip_type_name: str, tables: Tables) -> tuple[Profile, StripType]:
    try:
        return tables.profiles[profile_name], tables.strip_types[strip_type_name]
    except KeyError as error:
        raise TableError(
            f"The tables have no {error.args[0]!r}.", remedy="Name a profile and a strip type of the mappings."
        ) from error


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
            for coded in every_coding(tables.catalogue.pads[pad.pad], pad, step, tables, printed=printed, read_by=profile.read_by)
        )
    except Unmapped as error:
        raise TableError(f"{error}.", remedy="Add the code to catalogue.yaml.", path=path) from error


def _printed(step: Step, pad: str, profile: Profile, strip_type: str) -> tuple[str, ...]:
    """Give the texts that mean ``step`` under the profile; where it has none, the step's own words."""
    vocabulary = profile.vocabularies.get((strip_type, pad))
    texts = sorted(text for text, token in vocabulary.tokens.items() if token.step == step) if vocabulary else []
    return tuple(texts) or (_own_words(step),)


def _own_words(step: Step) -> str:
    if step.word or step.grade is not None:
        return step.word or str(step.grade)
    number = step.conventional or step.si
    return f"{number.comparator}{number_text(number)}" if number else ""
