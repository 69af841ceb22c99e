"""Learning a visual category from examples: what fresh eyes and fitting severity do.

The learner of `policies` keeps cards as separate facts and cannot generalise.
This one does: it weighs cues and corrects the weights after each answer by the
delta rule, the adaptive network of M. A. Gluck & G. H. Bower, *J Exp Psychol
Gen* 117 (1988) 227-247. An eye is a set of cues: a few speak of the finding, in
proportion to its severity, most are that eye's own, and come with it again
whenever the same picture is shown.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

import numpy as np

from server.scheduling.threshold import Look, ThresholdEstimate
from server.simulation.memory_models import Floats
from server.simulation.runs import standard_error

LOOKS = 360
SAME_PICTURES = 24
SIGNAL_CUES = 4
OWN_CUES = 60
SIGNAL = 3.0
"""Strength of each cue of the finding at severity 1, in standard deviations of an
eye's own cues."""

RATE = 0.03
OBVIOUS = (0.7, 1.0)
WHOLE_RANGE = (0.05, 1.0)
SUBTLE = (0.05, 0.35)
TEST_EYES = 2000
TARGET = 0.8


@dataclass(frozen=True)
class Lesson:
    """What a way of teaching came to, averaged over learners.

    Parameters
    ----------
    name : the way of teaching.
    practised : share right on eyes of the kind practised: the same pictures
        again, or new ones of the same severities.
    new : share right on new eyes of all severities.
    subtle : share right on new eyes that are subtle or healthy.
    standard_error : of ``subtle``.
    threshold : smallest severity seen in four new eyes of five; 1 if none is.
    """

    name: str
    practised: float
    new: float
    subtle: float
    standard_error: float
    threshold: float


class CueLearner:
    """Weighs cues; corrected by the delta rule after each answer."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self.weights: Floats = np.zeros(SIGNAL_CUES + OWN_CUES)
        self.leaning = 0.0

    def chance(self, cues: Floats) -> Floats:
        """Return the chance of calling eyes present, shape of ``cues`` without its last axis."""
        chance: Floats = 1 / (1 + np.exp(-(cues @ self.weights + self.leaning)))
        return chance

    def answer(self, cues: Floats, present: bool) -> bool:
        """Call one eye, learn from the feedback, and return the call."""
        chance = float(self.chance(cues))
        said = bool(self._rng.random() < chance)
        correction = RATE * (float(present) - chance)
        self.weights += correction * cues
        self.leaning += correction
        return said


def eyes(rng: np.random.Generator, severities: Floats) -> Floats:
    """Return the cues of fresh eyes of these severities (0 is healthy)."""
    cues: Floats = rng.normal(size=(len(severities), SIGNAL_CUES + OWN_CUES))
    cues[:, :SIGNAL_CUES] += SIGNAL * severities[:, None]
    return cues


Practice = Callable[[CueLearner, np.random.Generator], tuple[Floats, Floats]]
"""Teaches a learner; returns cues and severities of eyes like those practised."""


def _mixed(rng: np.random.Generator, count: int, band: tuple[float, float]) -> Floats:
    severities: Floats = rng.uniform(*band, count)
    severities[rng.random(count) < 0.5] = 0.0
    return severities


def same_pictures(learner: CueLearner, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Show the same few pictures over and over."""
    severities: Floats = np.zeros(SAME_PICTURES)
    severities[::2] = rng.uniform(*WHOLE_RANGE, len(severities[::2]))
    pictures = eyes(rng, severities)
    for look in range(LOOKS):
        if look % SAME_PICTURES == 0:
            order = rng.permutation(SAME_PICTURES)
        picture = order[look % SAME_PICTURES]
        learner.answer(pictures[picture], bool(severities[picture] > 0))
    return pictures, severities


def _fresh(band: tuple[float, float]) -> Practice:
    def practise(learner: CueLearner, rng: np.random.Generator) -> tuple[Floats, Floats]:
        severities = _mixed(rng, LOOKS, band)
        for cues, severity in zip(eyes(rng, severities), severities, strict=True):
            learner.answer(cues, bool(severity > 0))
        like = _mixed(rng, TEST_EYES, band)
        return eyes(rng, like), like

    return practise


def following(learner: CueLearner, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Show fresh eyes at the severity that the program's own estimate proposes."""
    draws = Random(int(rng.integers(2**32)))
    looks: list[Look] = []
    alarms = [0.5, 1.0]
    for _ in range(LOOKS):
        present = bool(rng.random() < 0.5)
        severity = 0.0
        if present:
            rate = min(0.6, alarms[0] / alarms[1])
            estimate = ThresholdEstimate(looks[-150:], rate)
            severity = estimate.draw_severity(WHOLE_RANGE, draws)
        said = learner.answer(eyes(rng, np.array([severity]))[0], present)
        if present:
            looks.append(Look(severity, said))
        else:
            # Old false alarms are forgotten as old looks are.
            alarms = [alarms[0] * 0.98 + said, alarms[1] * 0.98 + 1]
    recent: Floats = np.array([look.severity for look in looks[-60:]])
    like: Floats = rng.choice(recent, TEST_EYES)
    like[rng.random(TEST_EYES) < 0.5] = 0.0
    return eyes(rng, like), like


LESSONS: dict[str, Practice] = {
    f"the same {SAME_PICTURES} pictures again": same_pictures,
    "fresh eyes, plain ones only": _fresh(OBVIOUS),
    "fresh eyes, any severity": _fresh(WHOLE_RANGE),
    "fresh eyes, following the learner": following,
}


def teach(learners: int, seed: int, on_run: Callable[[], None] = lambda: None) -> list[Lesson]:
    """Teach simulated learners in each way and test them on new eyes."""
    return [_lesson(name, practice, learners, seed, on_run) for name, practice in LESSONS.items()]


def _lesson(
    name: str, practice: Practice, learners: int, seed: int, on_run: Callable[[], None]
) -> Lesson:
    rows = []
    for number in range(learners):
        rng = np.random.default_rng([seed, number, 3])
        learner = CueLearner(rng)
        like, severities = practice(learner, rng)
        rows.append(
            (
                _share_right(learner, like, severities),
                _right_on_new(learner, rng, WHOLE_RANGE),
                _right_on_new(learner, rng, SUBTLE),
                _smallest_seen(learner, rng),
            )
        )
        on_run()
    practised, new, subtle, threshold = zip(*rows, strict=True)
    return Lesson(
        name,
        statistics.fmean(practised),
        statistics.fmean(new),
        statistics.fmean(subtle),
        standard_error(subtle),
        statistics.fmean(threshold),
    )


def _share_right(learner: CueLearner, cues: Floats, severities: Floats) -> float:
    chance = learner.chance(cues)
    return float(np.where(severities > 0, chance, 1 - chance).mean())


def _right_on_new(
    learner: CueLearner, rng: np.random.Generator, band: tuple[float, float]
) -> float:
    severities = _mixed(rng, TEST_EYES, band)
    return _share_right(learner, eyes(rng, severities), severities)


def _smallest_seen(learner: CueLearner, rng: np.random.Generator) -> float:
    for severity in np.linspace(0.05, 1.0, 39):
        cues = eyes(rng, np.full(400, severity))
        if learner.chance(cues).mean() >= TARGET:
            return float(severity)
    return 1.0
