"""Computed ratios: every value that two ladders can give, worked out once from the numbers that they declare.

Nothing is computed from a grade. Steps with an open end keep it: what is at least so much over a known number is at least their
ratio. A pair whose ratio, or whose flag, that leaves undecided has none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Context, Decimal

from bridge.errors import TableError
from bridge.model import Property, Quantity, Step
from bridge.tables.conversion import factor
from bridge.tables.documents import CatalogueDocument, RatioRow, RatioScale
from bridge.tables.types import StripPad, StripRatio

Path = tuple[str | int, ...]

_EXACT = Context(prec=50)  # ours: far more digits than two printed numbers can need, so that a tie is seen as one
_RISES = {"<": -1, "<=": -1, "": 0, ">=": 1, ">": 1}
# Rounding never makes an open end say more than it does; a plain number is rounded half up (common practice, no source).
_ROUNDINGS = {-1: ROUND_CEILING, 0: ROUND_HALF_UP, 1: ROUND_FLOOR}
_LIMITS = (">=", ">")


def check_ratio(row: RatioRow, strip_pads: Mapping[str, StripPad], catalogue: CatalogueDocument, path: Path) -> None:
    """Refuse a ratio that is none, that the strip has as a pad, or whose pads lack numbers here. Raises TableError."""
    pad = catalogue.pads.get(row.pad)
    if pad is None or pad.ratio is None:
        known = ", ".join(name for name, each in catalogue.pads.items() if each.ratio)
        raise TableError(f"{row.pad!r} is no ratio in the catalogue.", remedy=f"Use one of: {known}.", path=(*path, "pad"))
    if row.pad in strip_pads:
        raise TableError(
            f"{row.pad} is a pad of this strip, printed by its analyzers.", remedy="Do not compute it too.", path=(*path, "pad")
        )
    for name in (pad.ratio.of, pad.ratio.to):
        strip_pad = strip_pads.get(name)
        if strip_pad is None or strip_pad.conventional_property is not Property.MASS:
            said = "is not on this strip" if strip_pad is None else "has no mass concentrations on this strip"
            raise TableError(
                f"{row.pad} cannot be computed: {name} {said}.",
                remedy="Remove the ratio: none is ever computed from grades.",
                path=(*path, "pad"),
            )
    _check_scales(row, path)


def _check_scales(row: RatioRow, path: Path) -> None:
    for key, scale, prop in (("conventional", row.conventional, Property.MASS_RATIO), ("si", row.si, Property.RATIO)):
        if scale is not None and scale.property is not prop:
            raise TableError(
                f"A computed ratio is {prop.value} here, not {scale.property.value}.",
                remedy=f"Write property: {prop.value}.",
                path=(*path, key, "property"),
            )
    if not row.abnormal.startswith(_LIMITS):
        raise TableError(
            f"{row.abnormal!r} does not say from where on the ratio is abnormal.",
            remedy='Write it as ">=30", in the conventional unit.',
            path=(*path, "abnormal"),
        )


def strip_ratio(row: RatioRow, strip_pads: Mapping[str, StripPad], catalogue: CatalogueDocument, path: Path) -> StripRatio:
    """Give the ratio with every value that the two ladders give, in rising order. ``row`` has passed ``check_ratio``. Raises TableError."""
    ratio = catalogue.pads[row.pad].ratio
    assert ratio is not None  # check_ratio refused it
    of, to = strip_pads[ratio.of], strip_pads[ratio.to]
    found = dict(_pairs(row, of, to, catalogue))
    if not found:
        raise TableError(
            f"No two steps of {ratio.of} and {ratio.to} give a ratio.",
            remedy="Remove it, or mend the ladders.",
            path=(*path, "pad"),
        )
    ladder = sorted(set(found.values()), key=_order)
    ranked = {
        step: Step(rank=rank, grade=None, conventional=step.conventional, si=step.si, abnormal=step.abnormal)
        for rank, step in enumerate(ladder)
    }
    return StripRatio(
        pad=StripPad(
            pad=row.pad,
            ladder=tuple(ranked.values()),
            conventional_property=row.conventional.property,
            si_property=row.si.property if row.si else None,
        ),
        of=ratio.of,
        to=ratio.to,
        steps={pair: ranked[step] for pair, step in found.items()},
    )


def _order(step: Step) -> tuple[Decimal, int, Decimal]:
    assert step.conventional is not None  # a ratio always has one
    return (step.conventional.value, _RISES[step.conventional.comparator], step.si.value if step.si else Decimal(0))


def _pairs(row: RatioRow, of: StripPad, to: StripPad, catalogue: CatalogueDocument) -> Iterator[tuple[tuple[int, int], Step]]:
    for upper in of.ladder:
        for lower in to.ladder:
            if upper.conventional is None or lower.conventional is None or not lower.conventional.value:
                continue
            step = _step(row, upper.conventional, lower.conventional, catalogue)
            if step is not None:
                yield (upper.rank, lower.rank), step


def _step(row: RatioRow, of: Quantity, to: Quantity, catalogue: CatalogueDocument) -> Step | None:
    comparator = _comparator(of.comparator, to.comparator)
    if comparator is None:
        return None
    sizes = {unit: Decimal(each.size) for unit, each in catalogue.units.items()}
    upper, lower = of.value * sizes[of.unit], to.value * sizes[to.unit]  # both mg/L
    exact = _EXACT.divide(upper * 1000, lower * sizes[row.conventional.unit])  # mg/g
    conventional = _rounded(exact, comparator, row.conventional)
    abnormal = _is_abnormal(conventional, row.abnormal)
    if abnormal is None:
        return None
    si = None
    if row.si is not None:
        by = factor(row.conventional, row.si, catalogue.units, catalogue.pads[row.pad].molar_mass)
        assert by is not None  # care.check_catalogue refused a ratio in both without a molar mass
        si = _rounded(_EXACT.multiply(exact, by), comparator, row.si)
    return Step(rank=0, grade=None, conventional=conventional, si=si, abnormal=abnormal)


def _comparator(of: str, to: str) -> str | None:
    """Give the comparator of a quotient; None where its two parts may be open towards both sides, so that it may be anything."""
    ways = {_RISES[of], -_RISES[to]} - {0}
    if len(ways) == 2:
        return None
    if not ways:
        return ""
    return ("<" if -1 in ways else ">") + ("" if {of, to} & {"<", ">"} else "=")


def _rounded(exact: Decimal, comparator: str, scale: RatioScale) -> Quantity:
    rounding = _ROUNDINGS[_RISES[comparator]]
    value = exact.quantize(Decimal(1).scaleb(-scale.decimals), rounding=rounding, context=_EXACT)
    return Quantity(value=value, unit=scale.unit, comparator=comparator)


def _is_abnormal(ratio: Quantity, limit: str) -> bool | None:
    """Say whether a ratio, as it is told, reaches the limit; None where it is open and may lie on either side."""
    bound = Decimal(limit.lstrip(">="))
    reached = ratio.value >= bound if limit.startswith(">=") else ratio.value > bound
    match ratio.comparator:
        case "":
            return reached
        case ">=" | ">":
            return True if reached else None
        case _:
            return None if reached else False
