"""Check digits of patient IDs: mod 11, Luhn and Verhoeff.

Each function says whether an ID's last digit agrees with those before it. The arithmetic takes the
ASCII digits of the ID in order (mod 11 also a final X, which stands for ten) and passes over separators and
letters; the ID itself is never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

# The dihedral group D5 as Verhoeff numbered it: J. Verhoeff, Error Detecting Decimal Codes, Mathematical
# Centre Tracts 29, Amsterdam 1969. Written from memory; tests hold it against three published numbers.
_PRODUCT: tuple[tuple[int, ...], ...] = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    (1, 2, 3, 4, 0, 6, 7, 8, 9, 5),
    (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7),
    (4, 0, 1, 2, 3, 9, 5, 6, 7, 8),
    (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2),
    (7, 6, 5, 9, 8, 2, 1, 0, 4, 3),
    (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)
_TURN: tuple[int, ...] = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)  # Verhoeff 1969, the permutation applied once a place; as above
_SHORTEST = 2  # ours: one digit alone cannot carry a check


def _digits(patient_id: str) -> tuple[int, ...]:
    return tuple(int(char) for char in patient_id if char.isascii() and char.isdigit())


def mod11_agrees(patient_id: str) -> bool:
    """Say whether the digits, weighted 1, 2, 3 ... from the right, add up to a multiple of 11.

    For ten digits this is the rule of ISBN-10 (ISO 2108) and of the English NHS number, which never ends in X.
    """
    digits = _digits(patient_id)
    if patient_id.endswith("X"):
        digits = (*digits, 10)  # ISO 2108: X stands for ten
    return len(digits) >= _SHORTEST and sum(weight * digit for weight, digit in enumerate(reversed(digits), start=1)) % 11 == 0


def luhn_agrees(patient_id: str) -> bool:
    """Say whether the Luhn sum (ISO/IEC 7812-1, annex B) of the digits is a multiple of 10."""
    digits = _digits(patient_id)
    total = sum(digit if place % 2 == 0 else sum(divmod(2 * digit, 10)) for place, digit in enumerate(reversed(digits)))
    return len(digits) >= _SHORTEST and total % 10 == 0


def verhoeff_agrees(patient_id: str) -> bool:
    """Say whether Verhoeff's product of the turned digits is the neutral element."""
    digits = _digits(patient_id)
    product = 0
    for place, digit in enumerate(reversed(digits)):
        turned = digit
        for _ in range(place % 8):  # the permutation comes back to itself after eight turns
            turned = _TURN[turned]
        product = _PRODUCT[product][turned]
    return len(digits) >= _SHORTEST and product == 0


# The names that a site's policy may give (tables/types.py, PatientIdPolicy.check_digit).
CHECK_DIGITS: Mapping[str, Callable[[str], bool]] = {
    "mod11": mod11_agrees,
    "luhn": luhn_agrees,
    "verhoeff": verhoeff_agrees,
}
