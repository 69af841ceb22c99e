"""Models of forgetting against worked values and slower sums."""

from __future__ import annotations

import math

import numpy as np
import pytest

from server.simulation.memory_models import (
    MODELS,
    ActivationMemory,
    Memory,
    PredictiveMemory,
    half_life_recall,
)

ONE = np.zeros(1)


def test_activation_of_daily_practice() -> None:
    # P. I. Pavlik & J. R. Anderson, Cogn Sci 29 (2005) 559-586; worked with
    # a .177, c .217 as published, tau -.704, s .255 and the clock .025 from memory.
    memory = ActivationMemory(ONE)
    for day in range(6):
        memory.practise(0, memory.moment(day))
    assert memory.decays[0, :6] == pytest.approx(
        [0.1770, 0.2328, 0.2627, 0.2827, 0.2976, 0.3093], abs=5e-4
    )
    later = [memory.recall_of(0, memory.moment(5 + days)) for days in (1, 7, 30)]
    assert later == pytest.approx([0.7496, 0.5128, 0.2538], abs=5e-4)


def test_activation_of_massed_practice() -> None:
    # The same source and constants, every ten seconds.
    memory = ActivationMemory(ONE)
    for number in range(6):
        memory.practise(0, 10.0 * number)
    assert memory.decays[0, :6] == pytest.approx(
        [0.177, 0.321, 0.408, 0.464, 0.501, 0.529], abs=1e-3
    )
    later = [memory.recall_of(0, memory.moment(days, 50.0)) for days in (1, 7, 30)]
    assert later == pytest.approx([0.4092, 0.0883, 0.0242], abs=5e-4)


def test_predictive_performance() -> None:
    # M. Walsh et al., Cogn Sci 42 S3 (2018) 644-691; worked with b .04, m .08, tau
    # .5, s .05: three daily practices, a week later T 686,854.6, M .59314, p .866.
    memory = PredictiveMemory(ONE)
    for day in range(3):
        memory.practise(0, memory.moment(day))
    now = memory.moment(9)
    ages = np.array([9.0, 8.0, 7.0]) * 86_400
    weights = ages**-0.6
    age = float((weights * ages).sum() / weights.sum())
    assert age == pytest.approx(686_854.6, abs=0.1)
    decay = 0.04 + 0.08 * 2 / math.log(86_400 + math.e) / 2
    assert decay == pytest.approx(0.047038, abs=1e-6)
    strength = 3**0.1 * age**-decay
    assert strength == pytest.approx(0.59314, abs=1e-5)
    assert 1 / (1 + math.exp((0.5 - strength) / 0.05)) == pytest.approx(0.8656, abs=1e-4)
    # The model's own threshold differs; its log odds must differ by just as much.
    ours = memory.recall_of(0, now)
    odds = math.log(ours / (1 - ours)) + (memory.THRESHOLD - 0.5) / 0.05
    assert 1 / (1 + math.exp(-odds)) == pytest.approx(0.8656, abs=1e-4)


def test_half_life() -> None:
    # B. Settles & B. Meeder, ACL 2016: 2^(-3/6).
    assert half_life_recall(3, 6) == pytest.approx(0.70711, abs=1e-5)


@pytest.mark.parametrize("model", MODELS.values())
def test_all_cards_at_once_equal_one_at_a_time(model: type[Memory]) -> None:
    rng = np.random.default_rng(3)
    offsets = rng.normal(0, 0.3, 5)
    together = model(offsets)
    practised: list[list[float]] = [[] for _ in range(5)]
    for day in range(30):
        card = int(rng.integers(4))  # card 4 is never practised
        together.practise(card, together.moment(day, 3.0 * day))
        practised[card].append(together.moment(day, 3.0 * day))
    now = together.moment(40)
    for card in range(5):
        alone = model(offsets[card : card + 1])
        for when in practised[card]:
            alone.practise(0, when)
        assert together.recall(now)[card] == pytest.approx(alone.recall_of(0, now))
        assert together.recall_of(card, now) == pytest.approx(alone.recall_of(0, now))
    assert together.recall(now)[4] == 0.0


@pytest.mark.parametrize("model", MODELS.values())
def test_imagined_practice_is_what_practice_brings(model: type[Memory]) -> None:
    memory = model(np.array([0.1, -0.2, 0.0]))
    for day in (0, 1, 5):
        memory.practise(0, memory.moment(day))
    memory.practise(1, memory.moment(2))
    now, then = memory.moment(9), memory.moment(30)
    expected = memory.recall_if_practised(now, then)
    for card in range(3):
        copy = model(np.array([0.1, -0.2, 0.0]))
        for day in (0, 1, 5):
            copy.practise(0, copy.moment(day))
        copy.practise(1, copy.moment(2))
        copy.practise(card, now)
        assert copy.recall_of(card, then) == pytest.approx(expected[card])


@pytest.mark.parametrize("model", MODELS.values())
def test_spacing_beats_massing_and_recall_fades(model: type[Memory]) -> None:
    spaced, massed = model(ONE), model(ONE)
    for number in range(6):
        spaced.practise(0, spaced.moment(7 * number))
        massed.practise(0, massed.moment(35, 10.0 * number))
    assert spaced.recall_of(0, spaced.moment(65)) > 2 * massed.recall_of(0, massed.moment(65))
    fading = [spaced.recall_of(0, spaced.moment(36 + days)) for days in (1, 5, 20, 90)]
    assert fading == sorted(fading, reverse=True)
