"""Medians of response times, against numpy and an exact coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from server.errors import BadInput
from server.measurement.response_time import response_time

times = st.lists(st.floats(0.0, 600.0), min_size=1, max_size=80)


@given(times)
def test_quantiles_agree_with_numpy(seconds: list[float]) -> None:
    measured = response_time(seconds)
    assert measured is not None
    expected = np.percentile(seconds, [25, 50, 75])
    found = (measured.quartiles[0], measured.median, measured.quartiles[1])
    assert found == pytest.approx(tuple(expected))
    if measured.interval is not None:
        assert measured.median in measured.interval


@pytest.mark.parametrize("count", [6, 7, 10, 25, 60, 200])
def test_the_interval_is_the_narrowest_that_holds(count: int) -> None:
    measured = response_time([float(number) for number in range(1, count + 1)])
    assert measured is not None
    assert measured.interval is not None
    low, high = int(measured.interval.low), int(measured.interval.high)
    # Exact coverage of order statistics low..high is P(low <= X < high), X ~ Bin(n, 1/2).
    assert binom.cdf(high - 1, count, 0.5) - binom.cdf(low - 1, count, 0.5) >= 0.95
    assert binom.cdf(high - 2, count, 0.5) - binom.cdf(low, count, 0.5) < 0.95


def test_too_few_for_an_interval() -> None:
    measured = response_time([3.0] * 5)
    assert measured is not None
    assert measured.interval is None
    assert response_time([]) is None


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_impossible_times_are_refused(seconds: float) -> None:
    with pytest.raises(BadInput):
        response_time([1.0, seconds])
