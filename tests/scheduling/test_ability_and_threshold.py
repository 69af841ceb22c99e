"""Ability on the Rasch scale, and the severity threshold."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from server.errors import BadInput
from server.scheduling.ability import (
    Standing,
    after_answer,
    chance_of_success,
    chance_three_parameters,
    step_size,
)
from server.scheduling.threshold import SLIP, Look, ThresholdEstimate, weibull

# Ability ------------------------------------------------------------------------


def test_one_step() -> None:
    # R. Pelanek, Comput Educ 98 (2016) 169-179, worked by hand with four options and K = 1.
    assert chance_of_success(0.0, 0.5, 4) == pytest.approx(0.5332, abs=1e-4)
    ability, difficulty = after_answer(Standing(0.0), Standing(0.5), True, 4)
    assert ability.value == pytest.approx(0.4668, abs=1e-4)
    assert difficulty.value == pytest.approx(0.0332, abs=1e-4)
    # Without guessing and with K = 0.4.
    assert chance_of_success(0.0, 0.5) == pytest.approx(0.3775, abs=1e-4)
    ability, difficulty = after_answer(Standing(0.0), Standing(0.5), True, step=0.4)
    assert (ability.value, difficulty.value) == pytest.approx((0.2490, 0.2510), abs=1e-4)
    assert step_size(20) == 0.5


def test_item_response_curves() -> None:
    # Rasch 1960 and the two- and three-parameter logistic models, by hand.
    assert chance_of_success(1.0, 0.0) == pytest.approx(0.7311, abs=1e-4)
    assert chance_three_parameters(0.5, 0.0, 1.7) == pytest.approx(0.7006, abs=1e-4)
    assert chance_three_parameters(0.0, 0.0, 1.0, 0.25) == pytest.approx(0.6250)


@given(st.floats(-2000, 2000), st.floats(-2000, 2000))
def test_agrees_with_scipy_and_never_overflows(ability: float, difficulty: float) -> None:
    assert chance_of_success(ability, difficulty) == pytest.approx(
        float(expit(ability - difficulty)), abs=1e-12
    )


def test_estimates_find_the_truth() -> None:
    rng = np.random.default_rng(1960)
    true_cards = rng.normal(0, 1, 30)
    cards = [Standing() for _ in range(30)]
    learners = [Standing() for _ in range(40)]
    true_learners = rng.normal(0.5, 1, 40)
    for _ in range(150):
        for learner in range(40):
            card = int(rng.integers(30))
            right = bool(rng.random() < expit(true_learners[learner] - true_cards[card]))
            learners[learner], cards[card] = after_answer(learners[learner], cards[card], right)
    assert np.corrcoef([card.value for card in cards], true_cards)[0, 1] > 0.9
    assert np.corrcoef([learner.value for learner in learners], true_learners)[0, 1] > 0.85


def test_guessing_among_one_is_refused() -> None:
    with pytest.raises(BadInput):
        chance_of_success(0.0, 0.0, 1)


# Threshold ----------------------------------------------------------------------


def observer(
    scale: float, slope: float, guess: float, looks: int, seed: int, *, adaptive: bool = True
) -> ThresholdEstimate:
    """Let an observer with a known psychometric function look at eyes."""
    rng = Random(seed)
    seen: list[Look] = []
    for _ in range(looks):
        severity = (
            ThresholdEstimate(seen, guess).draw_severity((0.05, 1.0), rng)
            if adaptive
            else rng.uniform(0.05, 1.0)
        )
        seen.append(Look(severity, rng.random() < weibull(severity, scale, slope, guess)))
    return ThresholdEstimate(seen, guess)


def true_threshold(scale: float, slope: float, guess: float, target: float = 0.8) -> float:
    reach = (target - guess) / (1 - guess - SLIP)
    return float(scale * (-math.log(1 - reach)) ** (1 / slope))


def test_the_function_passes_through_guessing_and_slips() -> None:
    # Weibull function of Watson & Pelli 1983: at the scale, 1 - 1/e of the way.
    assert weibull(0.0, 0.4, 2.5, 0.1) == pytest.approx(0.1)
    assert weibull(1e6, 0.4, 2.5, 0.1) == pytest.approx(1 - SLIP)
    assert weibull(0.4, 0.4, 2.5, 0.1) == pytest.approx(0.1 + 0.88 * (1 - math.exp(-1)))


@pytest.mark.parametrize(("scale", "slope"), [(0.2, 2.5), (0.4, 2.5), (0.4, 4.0), (0.6, 1.5)])
def test_the_threshold_of_known_observers_is_found(scale: float, slope: float) -> None:
    true = min(1.0, true_threshold(scale, slope, 0.1))
    found = [observer(scale, slope, 0.1, 60, seed).threshold() for seed in range(12)]
    assert np.mean([each.severity for each in found]) == pytest.approx(true, abs=0.08)
    covered = sum(each.low <= true <= each.high for each in found)
    # Nominal 95 %: fewer than 9 of 12 would come once in 5,000 times.
    assert covered >= 9


def test_more_looks_narrow_the_interval() -> None:
    few, many = (observer(0.3, 2.5, 0.1, looks, 3).threshold() for looks in (6, 80))
    assert many.high - many.low < few.high - few.low
    assert not few.is_known
    assert many.is_known


def test_practice_settles_where_about_four_of_five_are_seen() -> None:
    estimate = observer(0.3, 2.5, 0.1, 100, 8)
    rng = Random(5)
    drawn = [estimate.draw_severity((0.05, 1.0), rng) for _ in range(400)]
    near = [each for each in drawn if abs(each - estimate.placement()) <= 0.0801]
    assert len(near) >= 300
    assert 0.75 <= np.mean([weibull(each, 0.3, 2.5, 0.1) for each in near]) <= 0.85
    assert estimate.chance(estimate.placement()) == pytest.approx(0.8, abs=0.01)


@given(
    st.tuples(st.floats(0, 1), st.floats(0, 1)).map(sorted),
    st.integers(0, 2**32),
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), max_size=5),
)
def test_draws_stay_in_the_cards_band(
    band: list[float], seed: int, rows: list[tuple[float, bool]]
) -> None:
    estimate = ThresholdEstimate([Look(*row) for row in rows])
    low, high = band
    assert low <= estimate.draw_severity((low, high), Random(seed)) <= high


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), max_size=12), st.floats(0, 1))
def test_a_hit_never_raises_the_threshold_and_a_miss_never_lowers_it(
    rows: list[tuple[float, bool]], severity: float
) -> None:
    before = [Look(*row) for row in rows]
    hit, miss = (ThresholdEstimate([*before, Look(severity, seen)]) for seen in (True, False))
    assert hit.placement() <= miss.placement() + 1e-6


def test_an_observer_who_sees_nothing_is_said_to_be_beyond() -> None:
    estimate = ThresholdEstimate([Look(0.9, False)] * 12)
    assert estimate.threshold().is_beyond
    assert estimate.placement() == 1.0


def test_improvement_is_followed() -> None:
    missed = [Look(0.4, False)] * 40
    learned = [*missed, *([Look(0.4, True)] * 60)]
    assert ThresholdEstimate(learned).placement() < 0.5 < ThresholdEstimate(missed).placement()


def test_refusals() -> None:
    with pytest.raises(BadInput, match="no threshold"):
        ThresholdEstimate([], 0.8)
    with pytest.raises(BadInput, match="outside 0 to 1"):
        ThresholdEstimate([Look(1.2, True)])
    with pytest.raises(BadInput, match="not between guessing"):
        ThresholdEstimate([], 0.3).threshold(0.25)
    with pytest.raises(BadInput, match="band"):
        ThresholdEstimate([]).draw_severity((0.5, 0.2), Random(0))
