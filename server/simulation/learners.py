"""A simulated learner: answers from memory, takes time, is more or less certain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from server.scheduling.quality import Certainty, Outcome
from server.simulation.memory_models import Floats, Memory
from server.simulation.scenarios import Scenario

FIRST_DAY = date(2026, 1, 5)
"""Day 0; any Monday would do."""

SECONDS_RIGHT = 8.0
SECONDS_WRONG = 18.0
"""A wrong answer takes longer, since its feedback is read (assumed)."""

OFFSET_DEVIATION = 0.35
"""Spread of learners, and of cards, in units of activation (assumed)."""

SURE_FROM = 0.7


@dataclass(frozen=True, slots=True)
class Answered:
    """One answer of a simulated learner."""

    outcome: Outcome
    certainty: Certainty
    response_seconds: float


class Learner:
    """One simulated learner in one scenario.

    Every draw comes from ``seed``; who the learner is, how hard the cards are
    and which days are practised do not depend on the schedule that is tried.
    """

    def __init__(self, model: type[Memory], scenario: Scenario, seed: int) -> None:
        person = np.random.default_rng([seed, 1])
        offsets = person.normal(0.0, OFFSET_DEVIATION, scenario.cards)
        offsets += person.normal(0.0, OFFSET_DEVIATION)
        self.memory = model(offsets)
        self.attends = person.random(scenario.days) < scenario.attendance
        self.scenario = scenario
        self._rng = np.random.default_rng([seed, 2])
        self.seconds_used = 0.0

    def test_score(self) -> float:
        """Return the mean chance of recall over all cards on the day of the test."""
        return float(self.memory.recall(self.memory.moment(self.scenario.test_day)).mean())

    def score_on(self, day: float) -> float:
        """Return the mean chance of recall over all cards on another day."""
        return float(self.memory.recall(self.memory.moment(day)).mean())

    def answer(self, card: int, now: float) -> Answered:
        """Answer from memory, then learn from the feedback."""
        chance = float(self.memory.recall_of(card, now))
        draw, luck, doubt, noise = self._rng.random(), *self._rng.random(2), self._rng.normal()
        recalled = bool(draw < chance)
        right = recalled or bool(luck < self.scenario.guess)
        if recalled:
            certainty = Certainty.SURE if chance > SURE_FROM else Certainty.UNSURE
        elif right or doubt < 0.4:
            certainty = Certainty.GUESSING
        else:
            certainty = Certainty.UNSURE if doubt < 0.85 else Certainty.SURE
        # Strong memories answer quicker (latency falls with activation in both models).
        response = 5.0 * (2.0 - chance) * math.exp(0.3 * float(noise))
        self.memory.practise(card, now)
        outcome = Outcome.RIGHT if right else Outcome.WRONG
        return Answered(outcome, certainty, response)


class Session:
    """One day's practice: looks until the time is up."""

    def __init__(self, learner: Learner, day: int, seconds: float) -> None:
        self.learner = learner
        self.day = day
        self.date = FIRST_DAY + timedelta(days=day)
        self.seconds = seconds
        self.used = 0.0

    def has_time(self) -> bool:
        """True while there is time for another look."""
        return self.used < self.seconds

    @property
    def now(self) -> float:
        """Return the time of the memory model's clock."""
        return self.learner.memory.moment(self.day, self.used)

    def expected_seconds(self, now: float) -> Floats:
        """Return the time that a look at each card is likely to take, shape (cards,)."""
        recalled = self.learner.memory.recall(now)
        right = recalled + (1 - recalled) * self.learner.scenario.guess
        expected: Floats = right * SECONDS_RIGHT + (1 - right) * SECONDS_WRONG
        return expected

    def look(self, card: int) -> Answered:
        """Show a card; the clock moves on by the time it takes."""
        answered = self.learner.answer(card, self.now)
        right = answered.outcome == Outcome.RIGHT
        taken = SECONDS_RIGHT if right else SECONDS_WRONG
        self.used += taken
        self.learner.seconds_used += taken
        return answered
