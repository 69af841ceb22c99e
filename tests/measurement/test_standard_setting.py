"""Pass marks against worked examples, scipy and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import linregress, sem

from server.errors import BadInput
from server.measurement.standard_setting import borderline_mark, judged_mark

# Worked by hand for this test: three judges, five items.
JUDGES = [
    [0.8, 0.6, 0.5, 0.7, 0.4],
    [0.9, 0.7, 0.5, 0.6, 0.5],
    [0.7, 0.6, 0.4, 0.7, 0.5],
]

# Nine people, rated 1 to 5, with scores in per cent; the line was fitted apart from this program.
RATINGS = [1, 2, 2, 3, 3, 3, 4, 4, 5]
SCORES = [42, 50, 54, 60, 63, 66, 72, 75, 84]


def test_a_judged_mark() -> None:
    found = judged_mark(JUDGES)
    assert found.by_judge == pytest.approx((3.0, 3.2, 2.9))
    assert found.mark == pytest.approx(3.0333, abs=1e-4)
    assert found.share == pytest.approx(0.6067, abs=1e-4)
    assert found.standard_error == pytest.approx(sem([3.0, 3.2, 2.9]))


def test_one_judge_says_nothing_of_how_judges_differ() -> None:
    assert judged_mark([[0.5, 1.0]]).standard_error is None


@pytest.mark.parametrize("estimates", [[], [[]], [0.5], [[0.5, 1.2]], [[0.5, float("nan")]]])
def test_estimates_that_make_no_mark(estimates: list[list[float]]) -> None:
    with pytest.raises(BadInput):
        judged_mark(estimates)


def test_a_borderline_mark() -> None:
    found = borderline_mark(RATINGS, SCORES, 2)
    assert found.intercept == pytest.approx(31.139, abs=1e-3)
    assert found.slope == pytest.approx(10.583, abs=1e-3)
    assert found.mark == pytest.approx(52.31, abs=5e-3)
    assert found.people == 9


def test_borderline_regression_agrees_with_scipy_and_statsmodels() -> None:
    rng = np.random.default_rng(2003)
    for _ in range(20):
        people = int(rng.integers(5, 80))
        ratings = rng.integers(1, 6, people).astype(float)
        ratings[:2] = (1, 5)
        scores = 20 + 12 * ratings + rng.normal(0, 8, people)
        found = borderline_mark(ratings.tolist(), scores.tolist(), 2.0)
        line = linregress(ratings, scores)
        assert (found.slope, found.intercept) == pytest.approx((line.slope, line.intercept))
        assert found.explained == pytest.approx(line.rvalue**2)
        fitted = sm.OLS(scores, sm.add_constant(ratings)).fit()
        at = fitted.get_prediction([[1.0, 2.0]])
        assert found.mark == pytest.approx(float(at.predicted_mean[0]))
        assert found.standard_error == pytest.approx(float(at.se_mean[0]))


@pytest.mark.parametrize(
    ("ratings", "scores"),
    [
        ([1, 2], [40, 50]),
        ([3, 3, 3], [40, 50, 60]),
        ([1, 2, 3], [60, 50, 40]),
        ([1, 2, 3], [50, 50, 50]),
        ([1, 2, 3], [40, 50]),
        ([1, 2, 3], [40, 50, float("nan")]),
    ],
)
def test_ratings_that_make_no_mark(ratings: list[float], scores: list[float]) -> None:
    with pytest.raises(BadInput):
        borderline_mark(ratings, scores, 2)
