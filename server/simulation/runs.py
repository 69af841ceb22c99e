"""Running policies over simulated learners, and what came of it."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from server.simulation.learners import Learner, Session
from server.simulation.memory_models import Memory
from server.simulation.ours import Ours
from server.simulation.policies import (
    Blocked,
    Crammed,
    FixedGaps,
    Oracle,
    PlainSm2,
    PlainSm2AndSpareTime,
    Policy,
    RandomReview,
)
from server.simulation.scenarios import Scenario

POLICIES: tuple[type[Policy], ...] = (
    RandomReview,
    Blocked,
    Crammed,
    FixedGaps,
    PlainSm2,
    PlainSm2AndSpareTime,
    Ours,
    Oracle,
)


@dataclass(frozen=True, slots=True)
class Run:
    """One learner under one policy.

    Parameters
    ----------
    at_end : mean chance of recall on the last day of practice.
    at_test : mean chance of recall on the day of the test.
    minutes : used in all.
    """

    at_end: float
    at_test: float
    minutes: float


@dataclass(frozen=True)
class Comparison:
    """All learners under one policy.

    Parameters
    ----------
    policy : its name.
    runs : one for each learner, in the same order for every policy.
    cards : size of the deck.
    """

    policy: str
    runs: Sequence[Run]
    cards: int

    @property
    def at_end(self) -> float:
        """Return the mean over learners at the end of practice."""
        return statistics.fmean(run.at_end for run in self.runs)

    @property
    def at_test(self) -> float:
        """Return the mean over learners at the test."""
        return statistics.fmean(run.at_test for run in self.runs)

    @property
    def standard_error(self) -> float:
        """Return the standard error of the mean at the test; nan for one learner."""
        return standard_error([run.at_test for run in self.runs])

    @property
    def minutes(self) -> float:
        """Return the mean minutes used."""
        return statistics.fmean(run.minutes for run in self.runs)

    @property
    def cards_an_hour(self) -> float:
        """Return the cards still recalled at the test for each hour spent."""
        return self.at_test * self.cards / (self.minutes / 60)

    def lead_over(self, other: Comparison) -> tuple[float, float]:
        """Return the mean difference at the test, learner by learner, and its error."""
        leads = [
            mine.at_test - theirs.at_test
            for mine, theirs in zip(self.runs, other.runs, strict=True)
        ]
        return statistics.fmean(leads), standard_error(leads)

    def ratio_to(self, other: Comparison) -> tuple[float, float]:
        """Return the ratio of the means at the test, and its standard error.

        Both means are over the same learners, who differ much more from each
        other than policies do; so the error is that of a ratio of paired means
        (W. G. Cochran, *Sampling Techniques*, 3rd ed. 1977, section 2.11; from
        memory).
        """
        ratio = self.at_test / other.at_test
        residuals = [
            (mine.at_test - ratio * theirs.at_test) / other.at_test
            for mine, theirs in zip(self.runs, other.runs, strict=True)
        ]
        return ratio, standard_error(residuals)


def standard_error(values: Sequence[float]) -> float:
    """Return the standard error of a mean; nan for fewer than two values."""
    if len(values) < 2:
        return math.nan
    return statistics.stdev(values) / math.sqrt(len(values))


def run_one(policy: type[Policy], model: type[Memory], scenario: Scenario, seed: int) -> Run:
    """Let one simulated learner practise under one policy."""
    learner = Learner(model, scenario, seed)
    schedule = policy(scenario, seed)
    for day in range(scenario.days):
        seconds = schedule.seconds_on(day)
        if seconds > 0 and (learner.attends[day] or isinstance(schedule, Crammed)):
            schedule.practise(Session(learner, day, seconds))
    return Run(learner.score_on(scenario.days), learner.test_score(), learner.seconds_used / 60)


FORESIGHTS = (0.0, 6.0, 8.0, 10.0)


def with_foresight(logits: float) -> type[Policy]:
    """Return an oracle of a certain foresight."""
    return type("Oracle", (Oracle,), {"foresight": logits})


def runs_of(policy: type[Policy]) -> tuple[type[Policy], ...]:
    """Return the versions of a policy to try: one, but several of the oracle."""
    if policy is Oracle:
        return tuple(with_foresight(logits) for logits in FORESIGHTS)
    return (policy,)


def runs_in(learners: int, policies: Iterable[type[Policy]] = POLICIES) -> int:
    """Return how many single runs `compare` makes."""
    return learners * sum(len(runs_of(policy)) for policy in policies)


def compare(
    model: type[Memory],
    scenario: Scenario,
    learners: int,
    seed: int = 1,
    policies: Iterable[type[Policy]] = POLICIES,
    on_run: Callable[[], None] = lambda: None,
) -> dict[str, Comparison]:
    """Run every policy over the same learners; of the oracle's versions keep the best.

    Parameters
    ----------
    on_run : called after every single run, for a progress bar.

    Returns
    -------
    policy name -> Comparison, in the order of ``policies``.
    """
    results = {}
    for policy in policies:
        tried = []
        for version in runs_of(policy):
            runs = []
            for number in range(learners):
                runs.append(run_one(version, model, scenario, seed * 100_000 + number))
                on_run()
            tried.append(Comparison(policy.name, runs, scenario.cards))
        results[policy.name] = max(tried, key=lambda each: each.at_test)
    return results
