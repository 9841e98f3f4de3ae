"""The alarm for a container that was left open: its arithmetic, how often it is false, and how soon it comes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from bridge.bench.charts import wilson
from bridge.bench.left_open import chance_of, suspicion
from bridge.bench.lots import LotReading
from bridge.model import Purpose
from tests.bench.containers_for_tests import compiled
from tests.tables.shipped_tables import tables

RULE = compiled().left_open
QUILL = tables().strip_types["quill-10"]
AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
STRIPS = 100  # of one container: common practice, no source


@given(st.integers(1, 400), st.data(), st.integers(1, 99))
def test_the_probability_is_scipys(n: int, data: st.DataObject, percent: int) -> None:
    """scipy.stats.binomtest(alternative="greater") gives the same p, as far as its floating-point numbers reach."""
    found = data.draw(st.integers(0, n))
    exact = chance_of(found, n, Fraction(percent, 100))
    assert float(exact) == pytest.approx(binomtest(found, n, percent / 100, alternative="greater").pvalue, rel=1e-9, abs=1e-280)


def test_the_probability_by_hand() -> None:
    """Two or more of three with a half each: (3 + 1) / 8; none or more is certain; all of two in twenty is 1 in 400."""
    assert chance_of(2, 3, Fraction(1, 2)) == Fraction(1, 2)
    assert chance_of(0, 50, Fraction(1, 20)) == 1
    assert chance_of(2, 2, Fraction(1, 20)) == Fraction(1, 400)
    for found, n, share in ((4, 3, Fraction(1, 2)), (-1, 3, Fraction(1, 2)), (1, 3, Fraction(0)), (1, 3, Fraction(1))):
        with pytest.raises(ValueError, match="there is no probability"):
            chance_of(found, n, share)


def reading(nitrite: int, leukocytes: int, purpose: Purpose = Purpose.PATIENT) -> LotReading:
    """Give a strip that shows these steps, by rank."""
    pads = (("nitrite", nitrite), ("leukocytes", leukocytes), ("glucose", 0))
    return LotReading(strip_id=1, analyzer="a", strip_lot="24A01", purpose=purpose, read_at=AT, said="", pads=pads)


def test_a_container_is_suspected_where_so_many_hardly_come_by_chance() -> None:
    """Seven of 40 where 5 % are expected: p = 0.0034 (scipy.stats.binomtest), below 0.01; six of 40 are p = 0.0139 and are not told of."""
    assert RULE is not None
    seven = [reading(1, 0)] * 7 + [reading(0, 0)] * 33
    found = suspicion(seven, QUILL, RULE)
    assert found is not None
    assert (found.found, found.n, found.is_alarm) == (7, 40, True)
    assert found.chance == pytest.approx(binomtest(7, 40, 0.05, alternative="greater").pvalue)
    assert f"{found.chance:.4f}" == "0.0034"
    assert found.share == wilson(7, 40)
    six = suspicion([*seven[1:], reading(0, 0)], QUILL, RULE)
    assert six is not None
    assert (six.found, six.is_alarm, f"{six.chance:.4f}") == (6, False, "0.0139")


def test_few_strips_are_no_alarm() -> None:
    """Four of four is most improbable, and still four patients with an infection in its first days."""
    assert RULE is not None
    four = suspicion([reading(1, 0)] * 4, QUILL, RULE)
    assert four is not None
    assert (four.chance < 1e-5, four.is_alarm) == (True, False)


def test_only_patients_strips_with_both_pads_count() -> None:
    """A positive control is meant to be positive; a value that was not understood is neither; leucocytes speak for an infection."""
    assert RULE is not None
    strips = [
        reading(1, 0, Purpose.CONTROL),
        reading(1, -1),
        reading(-1, 0),
        reading(1, 1),
        reading(1, 2),
        reading(0, 0),
        reading(1, 0),
    ]
    found = suspicion(strips, QUILL, RULE)
    assert found is not None
    assert (found.found, found.n) == (1, 4)
    assert suspicion([], QUILL, RULE) is None
    assert suspicion(strips, tables().strip_types["sedge-5"], RULE) is not None


def first_alarm(share: float) -> Iterator[float]:
    """Give, strip by strip, the probability that the alarm has come by then, looked at after every strip: every path summed, no drawing of lots."""
    assert RULE is not None
    alive = {0: 1.0}
    rung = 0.0
    for n in range(1, STRIPS + 1):
        following: dict[int, float] = {}
        for found, weight in alive.items():
            following[found] = following.get(found, 0.0) + weight * (1 - share)
            following[found + 1] = following.get(found + 1, 0.0) + weight * share
        alive = {}
        for found, weight in following.items():
            if found >= RULE.least and chance_of(found, n, RULE.share) < RULE.below:
                rung += weight
            else:
                alive[found] = weight
        yield rung


def test_how_often_the_alarm_is_false_and_how_soon_it_comes() -> None:
    """HZ-C04, its second part: looked at after every strip of 100, a good container (5 %) rings in 2.9 of 100.

    One that stood open for a week (a third of the pads falsely positive, so 37 %) has rung by its 13th strip in half of all cases, by its
    23rd in 95 of 100.
    """
    good, open_for_a_week, damaged = (list(first_alarm(share)) for share in (0.05, 0.05 + 0.95 / 3, 0.20))
    assert f"{good[-1]:.4f}" == "0.0286"
    assert [sum(rung < wanted for rung in open_for_a_week) + 1 for wanted in (0.5, 0.95)] == [13, 23]
    assert f"{damaged[-1]:.3f}" == "0.995"
