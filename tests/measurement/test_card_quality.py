"""Which cards tell learners apart, and which mislead."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from server.errors import BadInput
from server.measurement.card_quality import (
    FEWEST_ELSEWHERE,
    FEWEST_LEARNERS,
    Flag,
    Reader,
    by_skill,
    discrimination,
    flags,
)
from server.measurement.proportions import Proportion


def readers(chance: Iterable[float], skill: Iterable[float], here: int = 12) -> list[Reader]:
    """Return learners who are right exactly as often as said."""
    return [
        Reader(Proportion(round(p * here), here), Proportion(round(s * 50), 50))
        for p, s in zip(chance, skill, strict=True)
    ]


SKILL = np.linspace(0.4, 0.95, 30)


@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 40)), min_size=20, max_size=60))
def test_correlation_and_interval_are_scipys(counts: list[tuple[int, int]]) -> None:
    some = [Reader(Proportion(here, 8), Proportion(there, 40)) for here, there in counts]
    told = discrimination(some)
    shares = np.array([(here / 8, there / 40) for here, there in counts])
    if np.ptp(shares[:, 0]) == 0 or np.ptp(shares[:, 1]) == 0:
        assert told is None
        return
    assert told is not None
    other = stats.pearsonr(shares[:, 0], shares[:, 1])
    assert told.r == pytest.approx(other.statistic, abs=1e-9)
    if abs(told.r) < 1 - 1e-9:
        # Fisher's z interval, as SciPy computes it.
        interval = other.confidence_interval(0.95)
        assert (told.interval.low, told.interval.high) == pytest.approx(tuple(interval), abs=1e-9)


def test_a_good_card_is_left_alone() -> None:
    some = readers(SKILL, SKILL)
    told = discrimination(some)
    assert told is not None
    assert told.r > 0.95
    assert flags(some) == ()


def test_a_card_that_good_readers_get_wrong_misleads() -> None:
    assert flags(readers(1 - SKILL, SKILL)) == (Flag.MISLEADS,)


def test_a_card_that_nobody_reads_is_too_hard() -> None:
    assert flags(readers(np.full(30, 0.17), SKILL)) == (Flag.TOO_HARD,)
    # Read by the best third, it is hard, not too hard.
    assert flags(readers(np.where(SKILL > 0.8, 0.5, 0.1), SKILL)) == ()


def test_chance_alone_seldom_flags() -> None:
    rng = np.random.default_rng(5)
    flagged = 0
    for _ in range(400):
        here = rng.binomial(4, 0.6, 40)
        some = [
            Reader(Proportion(int(k), 4), Proportion(int(n), 30))
            for k, n in zip(here, rng.binomial(30, 0.7, 40), strict=True)
        ]
        flagged += Flag.MISLEADS in flags(some)
    # The interval leaves 2.5 % on this side; 400 draws, five standard deviations.
    assert flagged / 400 < 0.025 + 5 * (0.025 * 0.975 / 400) ** 0.5


def test_too_few_say_nothing() -> None:
    few = readers(1 - SKILL, SKILL)[: FEWEST_LEARNERS - 1]
    assert discrimination(few) is None
    assert flags(few) == ()
    unknown = [Reader(one.here, Proportion(0, FEWEST_ELSEWHERE - 1)) for one in few]
    assert by_skill(unknown) is None
    with pytest.raises(BadInput):
        discrimination([Reader(Proportion(0, 0), Proportion(5, 50))])


def test_thirds_hold_everybody_once() -> None:
    some = readers(SKILL, SKILL)
    thirds = by_skill(some[:29])
    assert thirds is not None
    assert sum(third.answers for third in thirds) == 29 * 12
    shares = [third.successes / third.answers for third in thirds]
    assert shares == sorted(shares)
