"""d' and the criterion, against worked values and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from server.errors import BadInput
from server.measurement.signal import signal

counts = st.integers(0, 400)


@pytest.mark.parametrize(
    ("table", "d_prime", "criterion"),
    [
        # Worked from the log-linear rule of M. J. Hautus, Behav Res Methods 27
        # (1995) 46-51; tables are hits, misses, false alarms, correct rejections.
        ((25, 0, 2, 48), 3.7243, -0.2077),
        ((40, 10, 10, 40), 1.6416, 0.0),
    ],
)
def test_worked_values(table: tuple[int, int, int, int], d_prime: float, criterion: float) -> None:
    measured = signal(*table)
    assert measured.d_prime == pytest.approx(d_prime, abs=1e-4)
    assert measured.criterion == pytest.approx(criterion, abs=1e-4)


def test_the_correction_matters() -> None:
    # Uncorrected z(.8) - z(.2) = 1.6832.
    assert norm.ppf(0.8) - norm.ppf(0.2) == pytest.approx(1.6832, abs=1e-4)
    assert signal(40, 10, 10, 40).d_prime < 1.6832


@given(counts, counts, counts, counts)
def test_agrees_with_scipy(hits: int, misses: int, false_alarms: int, rejections: int) -> None:
    hit_rate = (hits + 0.5) / (hits + misses + 1)
    false_rate = (false_alarms + 0.5) / (false_alarms + rejections + 1)
    measured = signal(hits, misses, false_alarms, rejections)
    assert measured.d_prime == pytest.approx(norm.ppf(hit_rate) - norm.ppf(false_rate), abs=1e-9)
    assert measured.criterion == pytest.approx(
        -(norm.ppf(hit_rate) + norm.ppf(false_rate)) / 2, abs=1e-9
    )


@given(counts, counts, counts, counts)
def test_swapping_the_words_turns_the_leaning_round(a: int, b: int, c: int, d: int) -> None:
    # Calling every 'present' 'normal' and the reverse: same d' with the sign
    # turned by swapping which eyes count as having the finding.
    one, other = signal(a, b, c, d), signal(d, c, b, a)
    assert other.d_prime == pytest.approx(one.d_prime, abs=1e-9)
    assert other.criterion == pytest.approx(-one.criterion, abs=1e-9)


def test_no_answers_are_guessing_with_a_wide_interval() -> None:
    nothing = signal(0, 0, 0, 0)
    assert nothing.d_prime == 0.0
    assert nothing.interval().width > 4


def test_standard_error_matches_simulated_readers() -> None:
    # Equal-variance Gaussian readers with d' 1.5 and c 0.2, 60 eyes of each kind.
    rng = np.random.default_rng(20260302)
    hits = rng.binomial(60, norm.cdf(0.75 - 0.2), 4000)
    false_alarms = rng.binomial(60, norm.cdf(-0.75 - 0.2), 4000)
    measured = [
        signal(int(h), 60 - int(h), int(f), 60 - int(f))
        for h, f in zip(hits, false_alarms, strict=True)
    ]
    d_primes = np.array([each.d_prime for each in measured])
    errors = np.array([each.standard_error for each in measured])
    assert d_primes.mean() == pytest.approx(1.5, abs=0.03)
    assert errors.mean() == pytest.approx(d_primes.std(), rel=0.05)
    covered = np.mean([1.5 in each.interval() for each in measured])
    assert covered == pytest.approx(0.95, abs=0.02)


def test_negative_counts_are_refused() -> None:
    with pytest.raises(BadInput):
        signal(-1, 0, 0, 0)
