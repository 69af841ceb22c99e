"""Retention probes: what counts, and what share of a gain was kept."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from server.measurement.proportions import Proportion
from server.measurement.retention import Judged, Probes, find_probes, retention

START = date(2026, 1, 5)


def history(*stretches: tuple[int, list[bool]]) -> list[Judged]:
    """Return answers one a day; each stretch starts so many days after the one before."""
    day, answers = START, []
    for pause, rights in stretches:
        day += timedelta(days=pause)
        for right in rights:
            answers.append(Judged(day, right))
            day += timedelta(days=1)
    return answers


def test_only_the_first_answer_after_a_gap_is_a_probe() -> None:
    first, later = [False] * 8 + [True] * 2, [True] * 9 + [False]
    probes = find_probes(history((0, first + later), (27, [True, False, False])))
    assert probes == Probes(Proportion(2, 10), Proportion(9, 10), Proportion(1, 1))


def test_a_shorter_gap_is_none() -> None:
    assert find_probes(history((0, [True] * 20), (26, [True]))) == Probes()
    assert find_probes(history((0, [True] * 20), (27, [True]))).probed == Proportion(1, 1)


def test_a_gap_before_training_is_passed_over() -> None:
    assert find_probes(history((0, [True] * 19), (60, [True]))) == Probes()


def test_share_kept() -> None:
    # By hand: from .52 to .68 and back to .60, as in Rolskov Bojsen et al. 2015 about
    # half of the gain is kept.
    measured = retention(
        Probes(Proportion(520, 1000), Proportion(680, 1000), Proportion(600, 1000))
    )
    assert measured is not None
    assert measured.kept == pytest.approx(0.5)
    assert 0.5 in measured.interval
    assert 0.15 < measured.interval.low < measured.interval.high < 0.85


def test_nothing_is_said_without_probes_or_gain() -> None:
    clear = Probes(Proportion(10, 60), Proportion(54, 60), Proportion(4, 4))
    assert retention(clear) is None
    assert retention(clear + Probes(probed=Proportion(1, 1))) is not None
    assert retention(Probes(Proportion(8, 10), Proportion(9, 10), Proportion(9, 10))) is None


def test_the_interval_covers_the_truth() -> None:
    rng = np.random.default_rng(28)
    covered = 0
    for _ in range(200):
        first, trained, probed = rng.binomial([60, 120, 40], [0.4, 0.9, 0.7])
        measured = retention(
            Probes(
                Proportion(int(first), 60),
                Proportion(int(trained), 120),
                Proportion(int(probed), 40),
            )
        )
        assert measured is not None
        covered += 0.6 in measured.interval
    assert covered >= 180
