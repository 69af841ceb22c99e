"""Simulated learners: the same for every policy, reproducible, driving the shipped code."""

from __future__ import annotations

import argparse
import io
from dataclasses import replace

import numpy as np
import pytest

from server import simulate_command
from server.errors import BadInput
from server.progress_bar import Progress
from server.scheduling.quality import Outcome
from server.simulation import ours
from server.simulation.categories import LESSONS, teach
from server.simulation.learners import FIRST_DAY, Learner, Session
from server.simulation.memory_models import MODELS, Memory
from server.simulation.ours import Ours
from server.simulation.policies import Oracle, PlainSm2, Policy, RandomReview
from server.simulation.runs import POLICIES, Comparison, Run, compare, run_one, runs_in
from server.simulation.scenarios import SCENARIOS, scenario

SHORT = replace(SCENARIOS["S1"], name="short", days=14, test_day=30)
PAVLIK = MODELS["pavlik-anderson"]


@pytest.mark.parametrize("policy", POLICIES)
def test_a_run_is_reproducible_by_its_seed(policy: type[Policy]) -> None:
    once = run_one(policy, PAVLIK, SHORT, 5)
    assert once == run_one(policy, PAVLIK, SHORT, 5)
    assert once != run_one(policy, PAVLIK, SHORT, 6)


def test_learners_do_not_depend_on_the_schedule_tried() -> None:
    course = SCENARIOS["S3"]
    one, other = Learner(PAVLIK, course, 9), Learner(PAVLIK, course, 9)
    run_one(RandomReview, PAVLIK, course, 9)
    assert np.array_equal(one.memory.offsets, other.memory.offsets)
    assert np.array_equal(one.attends, other.attends)
    assert 0.4 < one.attends.mean() < 0.8


@pytest.mark.parametrize("policy", POLICIES)
def test_nobody_gets_more_than_the_minutes_given(policy: type[Policy]) -> None:
    # A look that has begun is finished, so a day can run over by one look.
    run = run_one(policy, PAVLIK, SHORT, 3)
    assert run.minutes <= SHORT.days * (SHORT.seconds_a_day + 18) / 60
    if policy in (RandomReview, Ours, Oracle):
        assert run.minutes >= SHORT.days * SHORT.seconds_a_day / 60


def test_a_lucky_guess_is_right_but_not_sure() -> None:
    lucky = replace(SHORT, guess=1.0)
    learner = Learner(PAVLIK, lucky, 1)
    answered = learner.answer(0, 0.0)
    assert answered.outcome == Outcome.RIGHT
    assert answered.certainty == "guessing"


@pytest.mark.parametrize("model", MODELS.values())
def test_answers_are_as_often_right_as_the_memory_says(model: type[Memory]) -> None:
    learner = Learner(model, replace(SHORT, cards=400), 2)
    for card in range(400):
        for day in (0, 3):
            learner.memory.practise(card, learner.memory.moment(day))
    now = learner.memory.moment(6)
    expected = learner.memory.recall(now)
    right = [learner.answer(card, now).outcome == Outcome.RIGHT for card in range(400)]
    error = float(np.sqrt((expected * (1 - expected)).sum())) / 400
    assert np.mean(right) == pytest.approx(expected.mean(), abs=4 * error)


def test_our_policy_runs_the_shipped_schedule(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = dict.fromkeys(
        ("compose", "review_with_remedies", "quality", "admissible", "is_crowded"), 0
    )
    for name in calls:
        shipped = getattr(ours, name)
        assert shipped.__module__.startswith("server.scheduling.")

        def counted(*args: object, _name: str = name, _shipped=shipped, **kwargs: object):  # type: ignore[no-untyped-def]
            calls[_name] += 1
            return _shipped(*args, **kwargs)

        monkeypatch.setattr(ours, name, counted)
    run_one(Ours, PAVLIK, SHORT, 3)
    assert all(count > 0 for count in calls.values())
    assert calls["review_with_remedies"] == calls["quality"] > 300


@pytest.mark.parametrize("model", MODELS.values())
def test_ours_beats_the_plain_rules_when_there_is_time_to_spare(model: type[Memory]) -> None:
    results = compare(model, SCENARIOS["S1"], 2, policies=[PlainSm2, Ours])
    lead, error = results["ours"].lead_over(results["plain-sm2"])
    assert lead > max(0.1, 2 * error)
    assert results["ours"].minutes > results["plain-sm2"].minutes


def test_few_minutes_are_not_spread_too_thin() -> None:
    """A weak learner with five times too many cards keeps more than by random review."""
    weak = [
        seed
        for seed in range(700_000, 700_040)
        if Learner(PAVLIK, SCENARIOS["S4"], seed).memory.offsets.mean() < -0.2
    ][:3]
    for seed in weak:
        ours_kept = run_one(Ours, PAVLIK, SCENARIOS["S4"], seed).at_test
        assert ours_kept > 1.1 * run_one(RandomReview, PAVLIK, SCENARIOS["S4"], seed).at_test


def test_the_error_of_a_ratio_is_that_of_paired_learners() -> None:
    def runs(*at_test: float) -> Comparison:
        return Comparison("any", [Run(0.5, value, 60.0) for value in at_test], 10)

    # Always the same share: the ratio is exact however much the learners differ.
    ratio, error = runs(0.18, 0.45, 0.72).ratio_to(runs(0.2, 0.5, 0.8))
    assert ratio == pytest.approx(0.9)
    assert error == pytest.approx(0.0, abs=1e-12)
    # Against the bootstrap over learners.
    rng = np.random.default_rng(1)
    theirs = rng.uniform(0.3, 0.9, 60)
    mine = theirs * rng.uniform(0.7, 1.1, 60)
    ratio, error = runs(*mine).ratio_to(runs(*theirs))
    drawn = rng.integers(0, 60, (4000, 60))
    resampled = mine[drawn].mean(axis=1) / theirs[drawn].mean(axis=1)
    assert ratio == pytest.approx(resampled.mean(), abs=0.005)
    assert error == pytest.approx(resampled.std(), rel=0.1)


def test_massed_practice_is_forgotten() -> None:
    results = {
        policy.name: run_one(policy, PAVLIK, SCENARIOS["S1"], 4)
        for policy in POLICIES
        if policy.name in ("crammed", "ours", "blocked")
    }
    assert results["crammed"].at_end > 0.95
    assert results["crammed"].at_test < results["ours"].at_test
    assert results["blocked"].at_test < results["crammed"].at_test


def test_a_session_ends_when_its_time_is_up() -> None:
    session = Session(Learner(PAVLIK, SHORT, 1), 2, 20.0)
    assert session.date.toordinal() == FIRST_DAY.toordinal() + 2
    while session.has_time():
        session.look(0)
    assert 20.0 <= session.used < 20.0 + 18.0


def test_what_fresh_eyes_and_fitting_severity_do() -> None:
    lessons = dict(zip(LESSONS, teach(2, 1), strict=True))
    same, plain, mixed, following = lessons.values()
    # The pictures themselves are learned, not the finding.
    assert same.practised > 0.9
    assert same.new < same.practised - 0.2
    assert min(plain.new, mixed.new, following.new) > same.new + 0.03
    assert following.subtle > same.subtle + 0.02
    assert following.threshold < plain.threshold


# The command --------------------------------------------------------------------


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    simulate_command.add_parser(parser.add_subparsers())
    return parser.parse_args(["simulate", *words])


def test_the_command_prints_a_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(SCENARIOS, "S1", replace(SHORT, name="S1", days=4))
    arguments = parsed("--learners", "2", "--scenario", "S1", "--model", "pavlik-anderson")
    assert arguments.run(arguments) == 0
    printed = capsys.readouterr()
    for policy in POLICIES:
        assert policy.name in printed.out
    assert "seed 1" in printed.out
    assert printed.err == ""  # no bar where nobody watches
    assert arguments.run(arguments) == 0
    assert capsys.readouterr().out == printed.out


def test_the_command_refuses_what_it_does_not_know() -> None:
    with pytest.raises(BadInput, match="none of S1, S2, S3, S4"):
        simulate_command.run(parsed("--scenario", "S9"))
    with pytest.raises(BadInput, match="none of pavlik-anderson"):
        simulate_command.run(parsed("--model", "perfect"))
    with pytest.raises(BadInput):
        scenario("S5")
    with pytest.raises(SystemExit):
        parsed("--learners", "1")


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_fills_and_goes_away() -> None:
    ticks = iter(range(100))
    stream = Terminal()
    bar = Progress(4, stream, clock=lambda: float(next(ticks)))
    for _ in range(4):
        bar.step()
    bar.clear()
    assert "2/4" in stream.getvalue()
    assert "4/4, about 0 s left" in stream.getvalue()
    assert stream.getvalue().endswith("\r\x1b[K")


def test_progress_counts_every_run() -> None:
    steps = []
    compare(PAVLIK, replace(SHORT, days=2), 2, on_run=lambda: steps.append(1))
    assert len(steps) == runs_in(2)
