"""Learning curves: laws, fits and honest uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from server.errors import BadInput
from server.measurement.curves import Curve, Law, fit_law, law_value, learning_curve

NUMBERS = np.arange(1.0, 101.0)
NO_ERROR = np.zeros((3, 3))


def test_worked_points_on_the_laws() -> None:
    # Power law of practice (Newell & Rosenbloom 1981), by hand: .92 - .42 n^-.5.
    power = Curve(Law.POWER, 0.92, 0.42, 0.5, NO_ERROR, 100)
    assert power.answers_to(0.80) == pytest.approx(12.25)
    assert power.answers_to(0.85) == pytest.approx(36.0)
    # Exponential law (Heathcote et al. 2000), by hand: .95 - .45 e^(-n/40).
    exponential = Curve(Law.EXPONENTIAL, 0.95, 0.45, 40.0, NO_ERROR, 100)
    assert exponential.answers_to(0.85) == pytest.approx(60.2, abs=0.05)
    assert exponential.answers_to(0.95) is None
    for curve in (power, exponential):
        reached = curve.answers_to(0.85)
        assert reached is not None
        assert curve.accuracy(reached) == pytest.approx(0.85)


@pytest.mark.parametrize(
    ("law", "constants"), [(Law.POWER, (0.92, 0.42, 0.5)), (Law.EXPONENTIAL, (0.95, 0.45, 40.0))]
)
def test_a_fit_gives_the_constants_back(law: Law, constants: tuple[float, float, float]) -> None:
    curve = fit_law(law, NUMBERS, law_value(law, NUMBERS, *constants))
    assert (curve.ceiling, curve.rise, curve.pace) == pytest.approx(constants, rel=1e-3)


def answers(rng: np.random.Generator, count: int) -> list[bool]:
    chance = law_value(Law.EXPONENTIAL, np.arange(1.0, count + 1), 0.92, 0.45, 40.0)
    return [bool(right) for right in rng.random(count) < chance]


def test_nothing_is_drawn_from_too_few_answers() -> None:
    rng = np.random.default_rng(5)
    assert learning_curve(answers(rng, 59)) is None
    assert learning_curve([]) is None


def test_the_band_covers_the_true_accuracy() -> None:
    rng = np.random.default_rng(11)
    curves = [learning_curve(answers(rng, 300)) for _ in range(100)]
    shown = [curve for curve in curves if curve is not None]
    assert len(shown) >= 85
    for number in (20.0, 150.0, 300.0):
        true = 0.92 - 0.45 * np.exp(-number / 40)
        covered = np.mean([true in curve.band(number) for curve in shown])
        # Nominal 95 %; below 87 of 100 would be a band too narrow, not chance.
        assert covered >= 0.87, number
        assert np.mean([curve.band(number).width for curve in shown]) < 0.35


def test_a_clean_sheet_is_a_flat_curve_near_one() -> None:
    curve = learning_curve([True] * 100)
    assert curve is None or curve.accuracy(100) == pytest.approx(1.0, abs=0.02)


def test_more_answers_narrow_the_band() -> None:
    rng = np.random.default_rng(3)
    short, long = learning_curve(answers(rng, 120)), learning_curve(answers(rng, 1200))
    assert long is not None
    assert short is None or short.band(100).width > long.band(100).width


def test_too_few_points_are_refused() -> None:
    with pytest.raises(BadInput):
        fit_law(Law.POWER, NUMBERS[:3], NUMBERS[:3] / 10)
