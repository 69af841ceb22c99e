"""From outcome, certainty and time to quality 0 to 5."""

from __future__ import annotations

import itertools
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.scheduling.quality import Certainty, Outcome, quality, usable_seconds, usual_seconds

RIGHT, PARTLY, WRONG = Outcome
SURE, UNSURE, GUESSING = Certainty

seconds = st.floats(0.3, 600.0)


@pytest.mark.parametrize(
    ("outcome", "certainty", "taken", "expected"),
    [
        # Worked by hand from the rule's table, at a median of 6 s.
        (RIGHT, SURE, 5.0, 5),
        (RIGHT, SURE, 6.0, 5),
        (RIGHT, SURE, 9.0, 4),
        (RIGHT, SURE, 12.0, 4),
        (RIGHT, SURE, 12.1, 3),
        (RIGHT, None, 5.0, 5),
        (RIGHT, UNSURE, 5.0, 4),
        (RIGHT, UNSURE, 9.0, 3),
        (RIGHT, GUESSING, 3.0, 3),
        (PARTLY, SURE, 3.0, 2),
        (PARTLY, GUESSING, 60.0, 2),
        (WRONG, UNSURE, 3.0, 1),
        (WRONG, GUESSING, 3.0, 1),
        (WRONG, SURE, 3.0, 0),
        (WRONG, None, 3.0, 0),
    ],
)
def test_the_table(
    outcome: Outcome, certainty: Certainty | None, taken: float, expected: int
) -> None:
    assert quality(outcome, certainty, taken, 6.0) == expected


@pytest.mark.parametrize("certainty", Certainty)
def test_an_abnormal_eye_called_normal_is_the_worst_answer(certainty: Certainty) -> None:
    assert quality(WRONG, certainty, 5.0, 6.0, called_normal=True) == 0


def test_a_hint_costs_the_speed_marks() -> None:
    assert quality(RIGHT, SURE, 1.0, 6.0, hint_used=True) == 3


@pytest.mark.parametrize("guard", ["page_hidden", "first_look_of_day", "untimed"])
def test_a_guarded_time_counts_as_one_and_a_half_medians(guard: str) -> None:
    for taken in (1.0, 500.0):
        assert quality(RIGHT, SURE, taken, 6.0, **{guard: True}) == 4
        assert quality(RIGHT, UNSURE, taken, 6.0, **{guard: True}) == 3
        assert usable_seconds(taken, **{guard: True}) is None


@pytest.mark.parametrize("taken", [None, 0.0, 0.29, -5.0, float("nan"), float("inf")])
def test_an_impossible_time_is_void(taken: float | None) -> None:
    assert usable_seconds(taken) is None
    assert quality(RIGHT, SURE, taken, 6.0) == 4


@given(st.sampled_from(Certainty), st.lists(seconds, min_size=2, max_size=2), seconds)
def test_a_quicker_right_answer_is_never_worth_less(
    certainty: Certainty, times: list[float], usual: float
) -> None:
    quick, slow = sorted(times)
    assert quality(RIGHT, certainty, quick, usual) >= quality(RIGHT, certainty, slow, usual)


@given(st.sampled_from(Certainty), st.sampled_from(Certainty), seconds, seconds, seconds)
def test_speed_and_certainty_never_outweigh_correctness(
    a: Certainty, b: Certainty, one: float, other: float, usual: float
) -> None:
    right, partly, wrong = (
        quality(RIGHT, a, one, usual),
        quality(PARTLY, b, other, usual),
        quality(WRONG, b, other, usual),
    )
    assert right >= 3 > partly > wrong


@given(seconds, seconds)
def test_certainty_pays_only_when_it_is_justified(taken: float, usual: float) -> None:
    right = [quality(RIGHT, certainty, taken, usual) for certainty in Certainty]
    wrong = [quality(WRONG, certainty, taken, usual) for certainty in Certainty]
    assert right == sorted(right, reverse=True)
    assert wrong == sorted(wrong)


def test_the_usual_time_is_the_median_of_the_last_twenty() -> None:
    assert usual_seconds([]) == 8.0
    assert usual_seconds([3.0] * 4) == 8.0
    assert usual_seconds([3.0] * 5) == 3.0
    times = [float(value) for value in itertools.chain([500] * 50, range(1, 21))]
    assert usual_seconds(times) == statistics.median(range(1, 21)) == 10.5
