"""Certainty against accuracy, cross-checked with scikit-learn and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import pearsonr
from sklearn.metrics import brier_score_loss
from statsmodels.stats.proportion import proportions_ztest

from server.errors import BadInput
from server.measurement.calibration import calibration, certainty_calibration


def claims(*groups: tuple[float, int, int]) -> list[tuple[float, bool]]:
    return [
        (stated, number < right) for stated, right, answers in groups for number in range(answers)
    ]


def test_worked_decomposition() -> None:
    # By hand from Brier, Mon Weather Rev 78 (1950) 1-3, and Murphy, J Appl
    # Meteorol 12 (1973) 595-600: ten answers at .9, .6 and .3, of which 9, 5, 4 right.
    measured = calibration(claims((0.9, 9, 10), (0.6, 5, 10), (0.3, 4, 10)))
    assert measured is not None
    assert measured.brier == pytest.approx(0.2000, abs=1e-4)
    assert measured.reliability == pytest.approx(0.00667, abs=1e-5)
    assert measured.resolution == pytest.approx(0.04667, abs=1e-5)
    assert measured.uncertainty == pytest.approx(0.2400, abs=1e-4)
    assert measured.calibration_error == pytest.approx(0.0667, abs=1e-4)
    assert measured.answers == 30


def test_brier_of_four_answers() -> None:
    # By hand: (.01 + .16 + .09 + .64) / 4.
    measured = calibration([(0.9, True), (0.6, True), (0.3, False), (0.8, False)])
    assert measured is not None
    assert measured.brier == pytest.approx(0.225)


@given(
    st.lists(
        st.tuples(st.sampled_from([0.0, 0.5, 0.75, 0.95, 1.0]), st.booleans()),
        min_size=2,
        max_size=60,
    )
)
def test_agrees_with_scikit_learn_and_scipy(answers: list[tuple[float, bool]]) -> None:
    measured = calibration(answers)
    assert measured is not None
    stated, right = (np.array(column, dtype=float) for column in zip(*answers, strict=True))
    expected = brier_score_loss(right, stated, labels=[0, 1], pos_label=1)
    assert measured.brier == pytest.approx(expected, abs=1e-9)
    assert measured.bias == pytest.approx(stated.mean() - right.mean(), abs=1e-9)
    if stated.std() > 0 and right.std() > 0:
        assert measured.explained == pytest.approx(pearsonr(stated, right)[0] ** 2, abs=1e-9)
    else:
        assert measured.explained is None


def test_the_three_levels() -> None:
    measured = certainty_calibration(
        [("sure", True)] * 19 + [("sure", False)] + [("guessing", True), ("guessing", False)]
    )
    assert measured is not None
    assert measured.calibration_error == pytest.approx(0.0, abs=1e-12)
    assert [level.stated for level in measured.levels] == [0.5, 0.95]


def test_nothing_and_nonsense() -> None:
    assert calibration([]) is None
    assert certainty_calibration([]) is None
    with pytest.raises(BadInput, match="none of sure"):
        certainty_calibration([("certain", True)])
    with pytest.raises(BadInput, match="outside 0 to 1"):
        calibration([(1.2, True)])


@pytest.mark.parametrize(("right", "answers"), [(20, 40), (38, 40), (40, 40)])
def test_leaning_of_one_level_is_the_test_of_one_share(right: int, answers: int) -> None:
    """With a single level it is statsmodels' z test of a share against the claim."""
    measured = certainty_calibration([("sure", number < right) for number in range(answers)])
    assert measured is not None
    z, _ = proportions_ztest(right, answers, value=0.95, prop_var=0.95)
    assert measured.leaning == pytest.approx(-z)


def test_leaning_over_levels() -> None:
    """By hand: claims 10 x .95 + 10 x .5 = 14.5, 10 right; variance .475 + 2.5."""
    measured = certainty_calibration(
        [("sure", number < 5) for number in range(10)]
        + [("guessing", number < 5) for number in range(10)]
    )
    assert measured is not None
    assert measured.leaning == pytest.approx(4.5 / 2.975**0.5)
    certain = calibration([(1.0, True), (0.0, False)])
    assert certain is not None
    assert certain.leaning is None
