"""Kappa and the figures of a fixed test, against published tables and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f, pointbiserialr
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from server.errors import BadInput
from server.measurement.agreement import cohen_kappa
from server.measurement.reliability import alpha_interval, length_for, lengthened, reliability

# J. Cohen, Educ Psychol Meas 20 (1960) 37-46; the table from memory.
COHEN = [[88, 10, 2], [14, 40, 6], [18, 10, 12]]

# K. L. Wuensch's teaching file on Kuder-Richardson, East Carolina University:
# rows are students A to J, columns items 1 to 10.
ROWS = (
    "1111110110 1011011101 1111011001 0010001000 0000010010 "
    "1110111111 1101110111 1111111101 0101111101 1101101110"
)
STUDENTS = np.array([[int(answer) for answer in row] for row in ROWS.split()])


def unrolled(table: list[list[int]]) -> tuple[list[int], list[int]]:
    pairs = [
        (row, column)
        for row, counts in enumerate(table)
        for column, count in enumerate(counts)
        for _ in range(count)
    ]
    one, other = zip(*pairs, strict=True)
    return list(one), list(other)


def test_kappa() -> None:
    assert cohen_kappa(COHEN) == pytest.approx(0.4915, abs=1e-4)
    assert cohen_kappa(COHEN, "linear") == pytest.approx(0.4737, abs=1e-4)
    assert cohen_kappa(COHEN, "quadratic") == pytest.approx(0.4545, abs=1e-4)
    assert cohen_kappa([[20, 5], [10, 15]]) == pytest.approx(0.40)


def test_kappa_agrees_with_scikit_learn_and_statsmodels() -> None:
    rng = np.random.default_rng(1960)
    for _ in range(20):
        table = rng.integers(1, 40, (4, 4)).tolist()
        one, other = unrolled(table)
        assert cohen_kappa(table) == pytest.approx(cohen_kappa_score(one, other))
        assert cohen_kappa(table) == pytest.approx(cohens_kappa(table).kappa)
        for weighting in ("linear", "quadratic"):
            expected = cohen_kappa_score(one, other, weights=weighting)
            assert cohen_kappa(table, weighting) == pytest.approx(expected)


@pytest.mark.parametrize(
    "table", [[[1, 2]], [[0, 0], [0, 0]], [[5, 0], [0, 0]], [[1, -1], [1, 1]], [[3]]]
)
def test_kappa_refuses_what_has_no_answer(table: list[list[int]]) -> None:
    with pytest.raises(BadInput):
        cohen_kappa(table)


def test_kuder_richardson() -> None:
    measured = reliability(STUDENTS)
    assert measured.alpha == pytest.approx(0.6963, abs=1e-4)
    assert measured.lower_bound == pytest.approx(0.6842, abs=1e-4)
    assert measured.measurement_error == pytest.approx(1.332, abs=1e-3)


def test_alpha_by_its_other_formula() -> None:
    # Cronbach 1951 by the covariance matrix: k/(k-1) (1 - trace / sum).
    covariance = np.cov(STUDENTS.T, ddof=0)
    expected = 10 / 9 * (1 - np.trace(covariance) / covariance.sum())
    assert reliability(STUDENTS).alpha == pytest.approx(expected)


def test_the_interval_of_alpha() -> None:
    # The published table's interval, worked out apart from this program: .309 to .911.
    interval = alpha_interval(0.6963, 10, 10)
    assert (interval.low, interval.high) == pytest.approx((0.309, 0.911), abs=1e-3)
    rng = np.random.default_rng(1965)
    for _ in range(10):
        alpha = float(rng.uniform(-0.2, 0.95))
        people, items = (int(one) for one in rng.integers(3, 60, 2))
        lowest, highest = f.ppf([0.95, 0.05], people - 1, (people - 1) * (items - 1))
        found = alpha_interval(alpha, people, items, 0.90)
        assert found.low == pytest.approx(1 - (1 - alpha) * lowest)
        assert found.high == pytest.approx(1 - (1 - alpha) * highest)


def test_the_interval_of_alpha_holds_as_often_as_it_says() -> None:
    # Parallel items with correlation r have alpha = k r / (1 + (k - 1) r) exactly.
    rng = np.random.default_rng(27)
    people, items, between = 30, 8, 0.4
    truth = lengthened(between, items)
    held = 0
    for _ in range(400):
        ability = rng.normal(size=(people, 1)) * np.sqrt(between)
        scores = ability + rng.normal(size=(people, items)) * np.sqrt(1 - between)
        covariance = np.cov(scores.T)
        alpha = items / (items - 1) * (1 - np.trace(covariance) / covariance.sum())
        held += truth in alpha_interval(float(alpha), people, items)
    # Of 400, 95 % is 380; four binomial standard deviations are 17.
    assert 363 <= held <= 397


def test_item_figures() -> None:
    items = reliability(STUDENTS).items
    totals = STUDENTS.sum(axis=1)
    for number, item in enumerate(items):
        answers = STUDENTS[:, number]
        assert item.with_total == pytest.approx(pointbiserialr(answers, totals)[0])
        assert item.with_rest == pytest.approx(pointbiserialr(answers, totals - answers)[0])
    first, ninth = items[0], items[8]
    assert (first.easiness, ninth.easiness) == (0.7, 0.5)
    assert first.with_total == pytest.approx(0.7946, abs=1e-3)
    assert first.with_rest == pytest.approx(0.7059, abs=1e-3)
    assert ninth.with_total == pytest.approx(0.0828, abs=1e-3)
    assert ninth.with_rest == pytest.approx(-0.1236, abs=1e-3)
    assert first.upper_lower == pytest.approx(0.667, abs=1e-3)
    assert ninth.upper_lower == 0.0


def test_an_item_all_got_right_has_no_correlation() -> None:
    items = reliability([[1, 1, 0], [1, 0, 0], [1, 1, 1]]).items
    assert items[0].with_total is None
    assert reliability([[1, 0], [1, 0]]).alpha is None


def test_spearman_brown() -> None:
    # Spearman 1910, Brown 1910; by hand.
    assert lengthened(0.6963, 2) == pytest.approx(0.8210, abs=1e-4)
    assert length_for(0.6963, 0.80) == pytest.approx(1.745, abs=1e-3)
    assert lengthened(0.6963, length_for(0.6963, 0.9)) == pytest.approx(0.9)


def test_reliability_refusals() -> None:
    with pytest.raises(BadInput):
        reliability([[1, 0]])
    with pytest.raises(BadInput):
        reliability([[1, 2], [0, 1]])
    with pytest.raises(BadInput):
        length_for(1.0, 0.8)
    with pytest.raises(BadInput):
        alpha_interval(0.7, 1, 10)
    with pytest.raises(BadInput):
        alpha_interval(0.7, 10, 10, 1.0)
