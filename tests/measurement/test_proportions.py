"""Wilson intervals against published examples and two general statistics libraries."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest
from statsmodels.stats.proportion import proportion_confint

from server.errors import BadInput
from server.measurement.proportions import (
    Proportion,
    answers_needed,
    chance_corrected,
    wilson,
)


@pytest.mark.parametrize(
    ("successes", "answers", "low", "high"),
    [
        # R. G. Newcombe, Stat Med 17 (1998) 857-872, table I, score method.
        # The last three rows: value from memory of the same table, and recomputed.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_published_examples(successes: int, answers: int, low: float, high: float) -> None:
    interval = wilson(successes, answers)
    assert interval.low == pytest.approx(low, abs=5e-5)
    assert interval.high == pytest.approx(high, abs=5e-5)


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    answers = draw(st.integers(1, 5000))
    return draw(st.integers(0, answers)), answers


@given(counts(), st.floats(0.5, 0.999))
def test_agrees_with_statsmodels_and_scipy(count: tuple[int, int], confidence: float) -> None:
    ours = wilson(*count, confidence)
    low, high = proportion_confint(*count, alpha=1 - confidence, method="wilson")
    assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-9)
    scipys = binomtest(*count).proportion_ci(confidence, method="wilson")
    assert (ours.low, ours.high) == pytest.approx((scipys.low, scipys.high), abs=1e-9)


@given(counts())
def test_the_interval_holds_the_estimate_within_0_and_1(count: tuple[int, int]) -> None:
    share = Proportion(*count)
    assert share.estimate is not None
    assert 0.0 <= share.interval.low <= share.estimate <= share.interval.high <= 1.0


def test_coverage_is_near_the_nominal_level() -> None:
    # Newcombe 1998: mean coverage of the score interval is close to 95 %.
    answers = 40
    for true in (0.5, 0.7, 0.8, 0.9):
        covered = sum(
            binom.pmf(successes, answers, true)
            for successes in range(answers + 1)
            if true in wilson(successes, answers)
        )
        assert 0.92 < covered < 0.99


@pytest.mark.parametrize(
    ("answers", "bound", "needed"),
    [(20, 0.8, 20), (30, 0.8, 29), (40, 0.8, 37), (50, 0.8, 46), (100, 0.8, 88),
     (30, 0.7, 26), (50, 0.7, 42), (100, 0.7, 79)],
)  # fmt: skip
def test_answers_needed_for_a_claim(answers: int, bound: float, needed: int) -> None:
    # Computed from Newcombe's formula; the neighbours are checked with statsmodels.
    assert answers_needed(answers, bound) == needed
    assert proportion_confint(needed, answers, method="wilson")[0] >= bound
    assert proportion_confint(needed - 1, answers, method="wilson")[0] < bound


def test_too_few_answers_for_any_claim() -> None:
    assert answers_needed(10, 0.8) is None


def test_no_answers_say_nothing() -> None:
    share = Proportion(0, 0)
    assert share.estimate is None
    assert (share.interval.low, share.interval.high) == (0.0, 1.0)


@pytest.mark.parametrize(("successes", "answers"), [(3, 2), (-1, 2), (0, -1)])
def test_impossible_counts_are_refused(successes: int, answers: int) -> None:
    with pytest.raises(BadInput, match="not a share"):
        wilson(successes, answers)
    with pytest.raises(BadInput, match="not a share"):
        Proportion(successes, answers)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0])
def test_an_impossible_confidence_is_refused(confidence: float) -> None:
    with pytest.raises(BadInput, match="outside 0 to 1"):
        wilson(1, 2, confidence)


@pytest.mark.parametrize(("options", "expected"), [(3, 0.700), (4, 0.733), (5, 0.750)])
def test_correction_for_chance(options: int, expected: float) -> None:
    # By hand from (x - 1/k) / (1 - 1/k) at 80 % right.
    assert chance_corrected(0.8, options) == pytest.approx(expected, abs=1e-3)
    assert chance_corrected(1 / options, options) == pytest.approx(0.0, abs=1e-12)
    assert chance_corrected(1.0, options) == 1.0


def test_guessing_among_one_is_refused() -> None:
    with pytest.raises(BadInput):
        chance_corrected(0.8, 1)
