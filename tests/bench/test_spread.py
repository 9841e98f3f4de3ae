"""Percentiles of counted seconds, against the standard library's and by hand."""

from __future__ import annotations

import statistics
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.spread import Spread, together

lengths = st.lists(st.integers(0, 5_000), min_size=2, max_size=60)


def spread(values: list[int]) -> Spread:
    return Spread(Counter(values))


def test_by_hand() -> None:
    """Ten lengths: place (n-1)p, so the 90th percentile lies 0.1 of the way from the ninth to the tenth."""
    assert spread([10, 20, 30, 40, 50, 60, 70, 80, 90, 200]).percentiles(0, 50, 90, 95, 100) == (10, 55, 101, 150.5, 200)
    assert spread([7]).percentiles(50, 90, 95) == (7, 7, 7)
    assert Spread().percentiles(50) is None
    assert (Spread().n, Spread().longest_s) == (0, None)


@given(values=lengths)
def test_as_the_standard_library_has_them(values: list[int]) -> None:
    """statistics.quantiles(method="inclusive") is definition 7 of Hyndman and Fan too."""
    cuts = statistics.quantiles(values, n=100, method="inclusive")
    found = spread(values).percentiles(*range(1, 100))
    assert found is not None
    assert all(abs(ours - theirs) < 1e-6 for ours, theirs in zip(found, cuts, strict=True))


@given(first=lengths, second=lengths)
def test_days_add_up_exactly(first: list[int], second: list[int]) -> None:
    """The percentiles of two days together are those of all their lengths."""
    both = together([spread(first), spread(second)])
    assert both == spread(first + second)
    assert both.n == len(first) + len(second)
    assert both.longest_s == max(first + second)
