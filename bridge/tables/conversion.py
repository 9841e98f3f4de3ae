"""One concentration in two units: the check that both printed numbers of a step agree. It never makes a value."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Context, Decimal

from bridge.model import Property, Quantity
from bridge.tables.documents import MolarMassRow, Scale, UnitRow


def factor(low: Scale, high: Scale, units: Mapping[str, UnitRow], mass: MolarMassRow | None) -> Decimal | None:
    """Give what a number on the scale ``low`` is multiplied by to stand on ``high``; None where nothing joins the two.

    ``mass`` joins mass (mg/L) with substance (umol/L), and a mass ratio (mg/g) with one to substance (mg/mmol). Haemoglobin and cells, or Ehrlich units and milligrams, are joined
    by convention only, and a convention is no check.
    """
    sizes = Decimal(units[low.unit].size) / Decimal(units[high.unit].size)
    if low.property is high.property:
        return sizes
    if mass is None:
        return None
    grams_per_mole = Decimal(mass.grams_per_mole)
    match low.property, high.property:
        case Property.MASS, Property.SUBSTANCE:
            return sizes * 1000 / grams_per_mole  # mg/L over g/mol is mmol/L, and the base unit is umol/L
        case Property.SUBSTANCE, Property.MASS:
            return sizes * grams_per_mole / 1000
        case Property.MASS_RATIO, Property.RATIO:
            return sizes * grams_per_mole / 1000  # mg/g of the divisor times g/mol is mg/mol, and the base unit is mg/mmol
        case _:
            return None


def shown(value: Decimal) -> str:
    """Give a converted number for people: four significant digits (ours: one more than any strip prints), no empty zeros."""
    return format(Context(prec=4).plus(value).normalize(), "f")


def is_within_print(conventional: Quantity, si: Quantity, by: Decimal) -> bool:
    """Say whether some concentration is printed as both numbers: each stands for half of its last digit to either side."""
    return _gap(conventional, si, by) <= _half(si.value) + _half(conventional.value) * by


def is_one_rounding(conventional: Quantity, si: Quantity, by: Decimal) -> bool:
    """Say whether one of the two numbers is the other one, converted and rounded."""
    return _gap(conventional, si, by) <= max(_half(si.value), _half(conventional.value) * by)


def _gap(conventional: Quantity, si: Quantity, by: Decimal) -> Decimal:
    return abs(conventional.value * by - si.value)


def _half(value: Decimal) -> Decimal:
    return Decimal(5).scaleb(_exponent(value) - 1)


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)  # a printed number is finite
    return exponent
