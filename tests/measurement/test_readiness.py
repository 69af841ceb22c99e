"""The sequential test against Wald's formulas and simulated learners."""

from __future__ import annotations

import numpy as np
import pytest

from server.errors import BadInput
from server.measurement.readiness import (
    STANDARD,
    Readiness,
    SequentialTest,
    finding_readiness,
    steady_since,
)


def test_weights_and_bounds() -> None:
    # A. Wald, Ann Math Stat 16 (1945) 117-186, worked for .70 against .85, errors .05.
    assert STANDARD.right == pytest.approx(0.19416, abs=1e-5)
    assert STANDARD.wrong == pytest.approx(-0.69315, abs=1e-5)
    assert STANDARD.upper == pytest.approx(2.94444, abs=1e-5)
    assert STANDARD.lower == pytest.approx(-2.94444, abs=1e-5)


def test_shortest_decisions() -> None:
    assert STANDARD.first_decision([True] * 30) == (Readiness.READY, 16)
    assert STANDARD.first_decision([False] * 30) == (Readiness.NOT_YET, 5)
    assert STANDARD.first_decision([True] * 15) == (Readiness.NOT_ENOUGH, 15)


@pytest.mark.parametrize(
    ("true", "passes", "length"),
    # Simulated with the same weights; Wald's approximations are 36.8 and 43.4 answers.
    [(0.70, 0.046, 41), (0.78, 0.48, 70), (0.85, 0.960, 46), (0.90, 0.998, 29)],
)
def test_error_rates_and_lengths_of_simulated_learners(
    true: float, passes: float, length: float
) -> None:
    answers = np.random.default_rng(45).random((4000, 900)) < true
    weights = np.where(answers, STANDARD.right, STANDARD.wrong).cumsum(axis=1)
    stopped = (weights >= STANDARD.upper) | (weights <= STANDARD.lower)
    at = stopped.argmax(axis=1)
    expected_ready = weights[np.arange(len(at)), at] > 0
    decisions = [STANDARD.first_decision(map(bool, row)) for row in answers[:400]]
    assert [made == Readiness.READY for made, _ in decisions] == list(expected_ready[:400])
    assert [count for _, count in decisions] == list(at[:400] + 1)
    assert expected_ready.mean() == pytest.approx(passes, abs=0.025)
    assert at.mean() + 1 == pytest.approx(length, abs=2)


def test_the_latest_decision_stands_and_the_test_starts_anew() -> None:
    standing = STANDARD.standing([False] * 5 + [True] * 16)
    assert (standing.readiness, standing.answers, standing.since) == (Readiness.READY, 21, 0)
    lost = STANDARD.standing([True] * 16 + [False] * 5 + [True])
    assert (lost.readiness, lost.since) == (Readiness.NOT_YET, 1)
    assert lost.ratio == pytest.approx(STANDARD.right)


def test_both_seeing_and_sparing_must_hold() -> None:
    def judged(hits: int, misses: int, false_alarms: int, rejections: int) -> Readiness:
        verdicts = (
            ["hit"] * hits
            + ["miss"] * misses
            + ["false-alarm"] * false_alarms
            + ["correct-rejection"] * rejections
        )
        return finding_readiness(verdicts).readiness

    assert judged(16, 0, 0, 16) == Readiness.READY
    assert judged(16, 0, 5, 0) == Readiness.NOT_YET
    assert judged(0, 5, 0, 16) == Readiness.NOT_YET
    assert judged(16, 0, 0, 15) == Readiness.NOT_ENOUGH
    assert judged(0, 0, 0, 0) == Readiness.NOT_ENOUGH


def test_refusals() -> None:
    with pytest.raises(BadInput, match="one of the four"):
        finding_readiness(["perhaps"])
    with pytest.raises(BadInput):
        SequentialTest(poor=0.9, good=0.8)
    with pytest.raises(BadInput):
        SequentialTest(wrongly_ready=0.5)
    with pytest.raises(BadInput):
        steady_since([True], acceptable=0.3, unacceptable=0.2)


@pytest.mark.parametrize(("failing", "by_50", "by_100"), [(0.10, 0.979, 1.0), (0.25, 0.456, 0.740)])
def test_cumulative_sum_signals_as_often_as_enumerated(
    failing: float, by_50: float, by_100: float
) -> None:
    # Method of D. J. Biau & R. Porcher, Stat Med 2010; probabilities by exact
    # enumeration of the sum's states, repeated here independently of the code.
    up, down = np.log(0.9 / 0.75), np.log(0.1 / 0.25)
    states = {0.0: 1.0}
    signalled, by = 0.0, {}
    for number in range(1, 101):
        after: dict[float, float] = {}
        for total, chance in states.items():
            for weight, likely in ((up, 1 - failing), (down, failing)):
                value = round(max(0.0, total + weight), 9)
                if value >= 2.0:
                    signalled += chance * likely
                else:
                    after[value] = after.get(value, 0.0) + chance * likely
        states = after
        by[number] = signalled
    assert by[50] == pytest.approx(by_50, abs=2e-3)
    assert by[100] == pytest.approx(by_100, abs=2e-3)
    rng = np.random.default_rng(7)
    first = [next(iter(steady_since(rng.random(100) >= failing)), 1000) for _ in range(1500)]
    assert np.mean(np.array(first) <= 50) == pytest.approx(by_50, abs=0.04)


def test_first_possible_signal() -> None:
    assert steady_since([True] * 25) == [11, 22]
    assert steady_since([True] * 10) == []


@pytest.mark.parametrize("answers", ["", "1", "110", "1111111111", "00000", "1" * 16, "0000011"])
def test_fewest_answers_to_ready(answers: str) -> None:
    """Found by trying: so many right answers decide, one fewer does not."""
    given = [mark == "1" for mark in answers]
    fewest = STANDARD.fewest_to_ready(STANDARD.standing(given))
    assert STANDARD.standing(given + [True] * fewest).readiness == Readiness.READY
    if fewest:
        fewer = STANDARD.standing(given + [True] * (fewest - 1))
        assert fewer.readiness != Readiness.READY
    # Sixteen straight right pass (Wald 1945, worked for .70 against .85, errors .05).
    assert STANDARD.fewest_to_ready(STANDARD.standing([])) == 16
