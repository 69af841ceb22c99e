"""Geometry of the drawings, checked against plain trigonometry and counting."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.web import charts

NUMBER = r"-?\d+(?:\.\d+)?"


def ends(path: str) -> tuple[float, float, float, float]:
    match = re.fullmatch(rf"M({NUMBER}) ({NUMBER})A.* ({NUMBER}) ({NUMBER})", path)
    assert match is not None, path
    x0, y0, x1, y1 = map(float, match.groups())
    return x0, y0, x1, y1


def test_an_arc_starts_at_twelve_and_runs_clockwise() -> None:
    x0, y0, x1, y1 = ends(charts.arc(0, 0.25, 100, 200))
    assert (x0, y0) == (200, 100)
    assert (x1, y1) == (300, 200)


@given(st.integers(1, 60), st.floats(10, 500))
def test_a_ring_has_equal_arcs_that_fill_it_but_for_the_gaps(parts: int, radius: float) -> None:
    gap = 8.0
    paths = charts.ring(parts, radius, 500, gap)
    assert len(paths) == parts
    if parts == 1:
        return
    lengths = []
    for path in paths:
        x0, y0, x1, y1 = ends(path)
        for x, y in ((x0, y0), (x1, y1)):
            assert math.hypot(x - 500, y - 500) == pytest.approx(radius, abs=0.02)
        turn = (math.atan2(x1 - 500, 500 - y1) - math.atan2(x0 - 500, 500 - y0)) % math.tau
        lengths.append(turn * radius)
    assert max(lengths) - min(lengths) < 0.1
    expected = math.tau * radius / parts - min(gap, math.pi * radius / parts)
    assert lengths[0] == pytest.approx(expected, abs=0.1)


def test_a_single_eye_makes_a_whole_ring() -> None:
    (path,) = charts.ring(1, 90, 100, 8)
    assert path.count("M") == 2
    assert path.count("A") == 2


def test_shares_are_in_proportion_and_leave_out_nothings() -> None:
    right, partly, wrong = charts.shares([3, 0, 1], 90, 100, 0)
    assert partly is None
    assert right is not None
    assert wrong is not None
    assert ends(right)[2:] == pytest.approx((10, 100), abs=0.01)  # three quarters: at nine o'clock
    assert charts.shares([0, 0], 90, 100, 8) == [None, None]


def test_a_scale_maps_its_ends_and_may_run_backwards() -> None:
    across = charts.Scale(0, 1, 10, 110)
    assert (across(0), across(0.5), across(1)) == (10, 60, 110)
    up = charts.Scale(0, 20, 190, 10)
    assert up(20) == 10
    assert charts.Scale(3, 3, 0, 10)(3) == 0


@given(st.floats(0.001, 1e6), st.integers(1, 10))
def test_steps_are_round_and_few(span: float, most: int) -> None:
    step = charts.round_step(span, most)
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert round(mantissa, 6) in (1, 2, 5, 10)
    assert span / step <= most * (1 + 1e-6)


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=30))
def test_counts_get_whole_ticks_from_zero_past_the_largest(values: list[int]) -> None:
    scale = charts.counting_scale(values, 190, 10)
    ticks = scale.ticks()
    assert ticks[0] == 0
    assert ticks[-1] == scale.high >= max(values)
    assert all(tick == int(tick) for tick in ticks)
    assert 2 <= len(ticks) <= 6
