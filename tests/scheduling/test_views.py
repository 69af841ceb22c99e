"""Which eyes of a round are looked at at the bedside, and how hard it is made."""

from __future__ import annotations

from random import Random

import pytest

from server.errors import BadInput
from server.scheduling.views import (
    JUDGED_OVER,
    PHOTOGRAPHS_FIRST,
    STAGES,
    Candidate,
    at_the_bedside,
    conditions,
    stage_reached,
)


def candidate(name: str, **changes: object) -> Candidate:
    known = {"repetition": 2, "last_right": True, "suits": True, **changes}
    return Candidate(name, **known)  # type: ignore[arg-type]


ROUND = [candidate(f"card-{n}") for n in range(12)]


def test_photographs_come_first() -> None:
    assert at_the_bedside(ROUND, PHOTOGRAPHS_FIRST - 1, 1, Random(1)) == {}
    assert set(at_the_bedside(ROUND, PHOTOGRAPHS_FIRST, 1, Random(1)).values()) == {1}


def test_a_third_of_a_round_at_most() -> None:
    for seed in range(20):
        assert len(at_the_bedside(ROUND, 100, 3, Random(seed))) == 4
    assert at_the_bedside(ROUND[:2], 100, 1, Random(1)) == {}
    assert at_the_bedside([], 100, 1, Random(1)) == {}


@pytest.mark.parametrize("why", [{"repetition": 1}, {"last_right": False}, {"suits": False}])
def test_only_what_is_recognised_and_has_its_disc_in_view(why: dict[str, object]) -> None:
    planned = [candidate(f"not-{n}", **why) for n in range(11)] + [candidate("this")]
    assert at_the_bedside(planned, 100, 1, Random(4)) == {"this": 1}


def test_lower_stages_stay_in_the_mix() -> None:
    stages = [
        stage
        for seed in range(200)
        for stage in at_the_bedside(ROUND, 100, 3, Random(seed)).values()
    ]
    # A quarter of 800 looks, within four standard errors of the binomial.
    assert abs(sum(stage < 3 for stage in stages) / len(stages) - 0.25) < 0.062
    assert set(stages) == {1, 2, 3}


def test_four_of_five_right_lead_on_and_half_wrong_lead_back() -> None:
    assert stage_reached([]) == 1
    easy = [(1, True)] * JUDGED_OVER
    assert stage_reached(easy[:-1]) == 1
    assert stage_reached(easy) == 2
    # 6 of 8 are fewer than four of five, 7 of 8 are more.
    assert stage_reached([(1, False)] * 2 + [(1, True)] * 6) == 1
    assert stage_reached([(1, False)] + [(1, True)] * 7) == 2
    hard = easy + [(2, False)] * 5 + [(2, True)] * 3
    assert stage_reached(hard) == 1
    assert stage_reached(hard + easy) == 2
    # What was looked at for the mix decides nothing.
    assert stage_reached(easy + [(1, False)] * 30) == 2


def test_the_last_stage_has_none_after_it() -> None:
    every = [(stage, True) for stage in (1, 2, 3, 4, 4) for _ in range(JUDGED_OVER)]
    assert stage_reached(every) == len(STAGES)


@pytest.mark.parametrize("stage", [0, 5])
def test_an_unknown_stage_is_refused(stage: int) -> None:
    with pytest.raises(BadInput, match="no stage"):
        stage_reached([(stage, True)])
    with pytest.raises(BadInput, match="no stage"):
        conditions(stage, Random(1))
    with pytest.raises(BadInput, match="no stage"):
        at_the_bedside(ROUND, 100, stage, Random(1))


def test_each_stage_brings_its_own_difficulty() -> None:
    drawn = {
        stage: [conditions(stage, Random(seed)) for seed in range(60)] for stage in (1, 2, 3, 4)
    }
    assert all(6.0 <= one.pupil_mm <= 7.5 for one in drawn[1])
    assert all(2.5 <= one.pupil_mm <= 3.5 for one in drawn[2])
    assert all(abs(one.refraction_d) <= 0.5 for one in drawn[1] + drawn[2])
    assert all(2.0 <= abs(one.refraction_d) <= 6.0 for one in drawn[3])
    assert {one.refraction_d > 0 for one in drawn[3]} == {True, False}
    assert all(one.haze == 0.0 for stage in (1, 2, 3) for one in drawn[stage])
    assert all(0.25 <= one.haze <= 0.6 for one in drawn[4])
    for one in drawn[1]:
        # The disc itself is never in the middle to begin with.
        assert abs(one.begins_deg[1]) >= 3.0
    assert conditions(2, Random(9)) == conditions(2, Random(9))
