"""The one value form of a message, and all that a plan must know."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.errors import TableError
from bridge.model import UnitSystem
from bridge.render.forms import choose, every_pad, expectation, leaves_bound_out, number_text, ranged, text_key
from tests.render.every_sample import EVERY_PLAN, ORDERS
from tests.render.results_for_tests import stat_result
from tests.render.tables_for_tests import EVERY_STRIP, GRADES_FIRST, NUMBERS_FIRST, SI_FIRST, STRIP, hand_made, number, tables_of

GLUCOSE = stat_result().pads[0]
GRAVITY = stat_result().pads[2]


def test_the_destination_orders_the_forms() -> None:
    """One form per pad and message, chosen per destination (PRODUCT section 6)."""
    chosen = [choose(GLUCOSE, order).system for order in (GRADES_FIRST, NUMBERS_FIRST, SI_FIRST)]
    assert chosen == [UnitSystem.ARBITRARY, UnitSystem.CONVENTIONAL, UnitSystem.SI]


def test_a_form_that_a_step_lacks_gives_way_to_the_next() -> None:
    """A negative step has no number: it goes as a grade even where numbers come first, and nothing is left out."""
    negative = replace(GLUCOSE, forms=GLUCOSE.forms[:1])
    assert choose(negative, SI_FIRST) is negative.forms[0]
    assert choose(negative, (UnitSystem.SI,)) is negative.forms[0]
    without_si = replace(GLUCOSE, forms=GLUCOSE.forms[:2])
    assert choose(without_si, (UnitSystem.SI,)) is without_si.forms[0], "the grade, not whichever comes last"


def test_the_key_tells_values_and_flags_apart() -> None:
    """Two pads with the same key have the same text, so everything but the printed text must be in it."""
    assert text_key(GLUCOSE, GRADES_FIRST) == ("glucose", GLUCOSE.forms[0], GLUCOSE.flag, "Negative", "", "")
    assert text_key(GRAVITY, GRADES_FIRST)[3:] == ("1.005-1.030", "1.005 1", "1.030 1")
    wider = replace(GRAVITY, high=number("1.0300", "1"))  # as a number it is the same, and a message would print it otherwise
    assert text_key(wider, GRADES_FIRST) != text_key(GRAVITY, GRADES_FIRST)
    assert text_key(replace(GLUCOSE, printed="other"), GRADES_FIRST) == text_key(GLUCOSE, GRADES_FIRST)


@pytest.mark.parametrize("text", ["1.010", "6.5", "0.2", "1000", "0.0000001", "10.0", "5.0"])
def test_a_number_keeps_its_digits(text: str) -> None:
    """No exponent, no lost zero: 1.010 says more than 1.01."""
    assert number_text(number(text, "1")) == text


def test_a_range_stands_only_beside_its_own_unit() -> None:
    """A range in mg/dL beside a value in umol/L would be read as umol/L."""
    assert ranged(GRAVITY, GRAVITY.forms[0])
    assert expectation(GRAVITY, GRAVITY.forms[0]) == "1.005-1.030"
    other = replace(GRAVITY, low=number("1.005", "other"), high=None)
    assert not ranged(other, other.forms[0])
    assert expectation(other, other.forms[0]) == ""
    assert not ranged(GLUCOSE, GLUCOSE.forms[1])
    assert expectation(GLUCOSE, GLUCOSE.forms[1]) == "Negative"


@pytest.mark.parametrize(("profile", "strip"), EVERY_STRIP)
def test_every_step_and_every_printed_text_is_known(profile: str, strip: str) -> None:
    """A plan is checked with the closed vocabulary, so it must hold all of it."""
    tables = tables_of(profile)
    pads = every_pad(profile, strip, tables)
    made = tables.strip_types[strip]
    assert list(pads) == [pad.pad for pad in (*made.pads, *(ratio.pad for ratio in made.ratios))]
    for pad in tables.strip_types[strip].pads:
        vocabulary = tables.profiles[profile].vocabularies.get((strip, pad.pad))
        said = {text for text, token in vocabulary.tokens.items() if token.step is not None} if vocabulary else set()
        assert said <= {coded.printed for coded in pads[pad.pad]}
        assert len({(coded.forms, coded.flag) for coded in pads[pad.pad]}) == len(pad.ladder)


def test_unknown_names_and_missing_codes_say_where() -> None:
    """A plan that cannot be compiled shuts its destination; the reason must name the mending."""
    tables = hand_made()
    with pytest.raises(TableError, match="The tables have no 'nobody'"):
        every_pad("nobody", STRIP.name, tables)
    pads = {**tables.catalogue.pads, "nitrite": replace(tables.catalogue.pads["nitrite"], codes=())}
    with pytest.raises(TableError, match="nitrite has no code for PrThr") as found:
        every_pad("testing", STRIP.name, replace(tables, catalogue=replace(tables.catalogue, pads=pads)))
    assert found.value.path == ("strip_types/test-6.yaml", "pads", "nitrite")
    del pads["nitrite"]
    with pytest.raises(TableError, match="The pad 'nitrite' is not in the catalogue"):
        every_pad("testing", STRIP.name, replace(tables, catalogue=replace(tables.catalogue, pads=pads)))


@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_no_two_steps_look_alike_in_a_message(order: str, profile: str, strip: str) -> None:
    """Code and value together name one step of the ladder, so a receiver can tell every step from every other, in every order of forms."""
    for name, every in every_pad(profile, strip, tables_of(profile)).items():
        forms = [choose(pad, ORDERS[order]) for pad in every]
        said = {(form.code.code, form.value) for form in forms}
        made = tables_of(profile).strip_types[strip]
        ladders = {pad.pad: pad.ladder for pad in (*made.pads, *(ratio.pad for ratio in made.ratios))}
        assert len(said) == len(ladders[name])


@pytest.mark.parametrize(
    ("low", "high", "expected", "out"),
    [
        (None, "30", "<30 mg/g", True),
        (None, "30", "<30", True),
        (None, "30", "<=30 mg/g", False),
        (None, "3", "<30", False),
        (None, "30", "up to 30", False),
        ("5", None, ">5", True),
        ("5", None, ">=5", False),
        ("5", "30", ">5", False),
        (None, None, "<30", False),
    ],
)
def test_an_expectation_may_leave_its_one_bound_out(low: str | None, high: str | None, expected: str, out: bool) -> None:
    """Only in so many words, digit by digit; two bounds are both in the range."""
    pad = replace(GRAVITY, expected=expected, low=number(low, "1") if low else None, high=number(high, "1") if high else None)
    assert leaves_bound_out(pad) is out
