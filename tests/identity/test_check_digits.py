"""Check digits against published worked examples, and against what each method promises to catch."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bridge.identity.check_digits import CHECK_DIGITS, luhn_agrees, mod11_agrees, verhoeff_agrees

digits = st.text("0123456789", min_size=3, max_size=12)


@pytest.mark.parametrize(
    "number",
    [
        "0-306-40615-2",  # ISBN-10 of the usual textbook example (from memory: Wikipedia, ISBN)
        "0-8044-2957-X",  # ISBN-10 that ends in X (from memory: Wikipedia, ISBN)
        "9434765919",  # NHS number of the worked example (from memory: Wikipedia, NHS number); by its published steps in the test below
    ],
)
def test_mod11_takes_published_numbers(number: str) -> None:
    """The rule is the one of ISO 2108 and of the NHS number; separators do not count."""
    assert mod11_agrees(number)


@given(st.text("0123456789", min_size=9, max_size=9))
def test_mod11_gives_what_the_nhs_steps_give(body: str) -> None:
    """The NHS's own four steps (weights 10 to 2, rest from 11; 11 is 0, 10 is no number), worked apart from our code.

    Steps as published in tech_nn_check_digit.pdf (Connecting for Health), quoted in public R and C# packages' pages.
    """
    rest = 11 - sum(int(digit) * weight for digit, weight in zip(body, range(10, 1, -1), strict=True)) % 11
    expected = {11: "0", 10: None}.get(rest, str(rest))
    assert [last for last in "0123456789" if mod11_agrees(body + last)] == ([] if expected is None else [expected])


@pytest.mark.parametrize(
    ("number", "agrees"),
    [
        ("79927398713", True),  # docs of stdnum-clj, stdnum.checkdigit; the usual textbook example
        ("79927398710", False),  # the same body with another digit
        ("17893729974", True),  # Wikipedia, Luhn algorithm (from memory)
    ],
)
def test_luhn_takes_published_numbers(number: str, agrees: bool) -> None:
    """ISO/IEC 7812-1 annex B, by its usual examples."""
    assert luhn_agrees(number) is agrees


@pytest.mark.parametrize(
    ("number", "agrees"),
    [
        ("2363", True),  # Wikipedia, Verhoeff algorithm: 236 -> 3 (from memory)
        ("1428570", True),  # the validation example, liquisearch.com/verhoeff_algorithm/example
        ("14567894", True),  # CPAN, Algorithm::CheckDigits MXX_006
        ("123451", True),  # docs.rs, crate verhoeff
        ("123456", False),  # docs.rs, crate verhoeff
        ("12340", True),  # npm, cdigit
        ("12345", False),  # npm, cdigit
    ],
)
def test_verhoeff_takes_published_numbers(number: str, agrees: bool) -> None:
    """Five independent sources agree on the tables that we wrote from memory."""
    assert verhoeff_agrees(number) is agrees


@pytest.mark.parametrize("method", sorted(CHECK_DIGITS))
@given(body=digits, place=st.integers(0, 11), wrong=st.integers(1, 9))
def test_every_single_wrong_digit_is_caught(method: str, body: str, place: int, wrong: int) -> None:
    """60 to 95 % of keying errors are one wrong digit (Verhoeff 1969, as Wagner & Putter 1989 cite it); all must fall. HZ-A02, HZ-A03."""
    agrees = CHECK_DIGITS[method]
    body = body[:9]  # mod 11 weighs ten places apart; the eleventh would weigh 11, which is nothing
    valid = next((body + last for last in "0123456789" if agrees(body + last)), None)
    assume(valid is not None)
    assert valid is not None
    at = place % len(valid)
    mistyped = valid[:at] + str((int(valid[at]) + wrong) % 10) + valid[at + 1 :]
    assert not agrees(mistyped)


@pytest.mark.parametrize("method", ["mod11", "verhoeff"])
@given(body=digits, place=st.integers(0, 10))
def test_every_swap_of_neighbours_is_caught(method: str, body: str, place: int) -> None:
    """Mod 11 and Verhoeff promise it; Luhn lets 09 and 90 pass, so it is not asked. HZ-A02."""
    agrees = CHECK_DIGITS[method]
    body = body[:9]
    valid = next((body + last for last in "0123456789" if agrees(body + last)), None)
    assume(valid is not None)
    assert valid is not None
    at = place % (len(valid) - 1)
    assume(valid[at] != valid[at + 1])
    assert not agrees(valid[:at] + valid[at + 1] + valid[at] + valid[at + 2 :])


@pytest.mark.parametrize("method", sorted(CHECK_DIGITS))
@pytest.mark.parametrize("text", ["", "-", "0", "X", "abc", "٣٣٣٣٣"])
def test_what_holds_no_two_digits_never_agrees(method: str, text: str) -> None:
    """An ID without digits carries no check digit; digits of other scripts are not taken for ours."""
    assert not CHECK_DIGITS[method](text)
