"""Is it lasting? What is left of a gain after a month without the finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from server.measurement.proportions import CONFIDENCE, Interval, Proportion

GAP_DAYS = 28
WINDOW = 10
"""Answers that stand for 'at first' and for 'when trained'."""

LEAST_PROBES = 5
DRAWS = 20_000
NOTHING = Proportion(0, 0)


@dataclass(frozen=True, slots=True)
class Judged:
    """One judgement of a finding in an eye that has it, on an eye never seen before."""

    day: date
    right: bool


@dataclass(frozen=True, slots=True)
class Probes:
    """Answers of one finding before training, when trained, and after a gap.

    Parameters
    ----------
    at_first : the first ten answers.
    trained : the ten answers before each gap (fewer if there are fewer).
    probed : the first answer after each gap, before its feedback.
    """

    at_first: Proportion = NOTHING
    trained: Proportion = NOTHING
    probed: Proportion = NOTHING

    def __add__(self, other: Probes) -> Probes:
        return Probes(
            self.at_first + other.at_first,
            self.trained + other.trained,
            self.probed + other.probed,
        )


def find_probes(history: Sequence[Judged], gap_days: int = GAP_DAYS) -> Probes:
    """Find the retention probes in the answers to one finding.

    A probe is the first answer after at least ``gap_days`` without an eye that
    has the finding. Only the first answer counts, since its feedback trains.
    Gaps before there are twice ten answers are passed over: what is not yet
    trained cannot be retained.

    Parameters
    ----------
    history : oldest first.
    """
    trained = probed = NOTHING
    for place in range(2 * WINDOW, len(history)):
        if (history[place].day - history[place - 1].day).days >= gap_days:
            trained += _share(history[place - WINDOW : place])
            probed += _share(history[place : place + 1])
    at_first = _share(history[:WINDOW]) if probed.answers else NOTHING
    return Probes(at_first, trained, probed)


def _share(answers: Sequence[Judged]) -> Proportion:
    return Proportion(sum(answer.right for answer in answers), len(answers))


@dataclass(frozen=True, slots=True)
class Retention:
    """What was kept.

    Parameters
    ----------
    kept : share of the gain kept: (probed - first) / (trained - first); can be
        below 0 or above 1.
    interval : 95 % interval of it.
    probes : the answers it rests on.
    """

    kept: float
    interval: Interval
    probes: Probes


def retention(probes: Probes, confidence: float = CONFIDENCE) -> Retention | None:
    """Return the share of the gain kept, or None when it cannot be said yet.

    It can be said from five probes on, and only if there was a gain to keep:
    otherwise the ratio has nothing to stand on. The interval comes from draws
    of the three shares, each from its Beta posterior with Jeffreys' prior.
    """
    if probes.probed.answers < LEAST_PROBES:
        return None
    rng = np.random.default_rng(28)
    first, trained, probed = (
        rng.beta(share.successes + 0.5, share.answers - share.successes + 0.5, DRAWS)
        for share in (probes.at_first, probes.trained, probes.probed)
    )
    gain = trained - first
    tail = (1 - confidence) / 2
    if np.quantile(gain, tail) <= 0:
        return None
    low, high = np.quantile((probed - first) / gain, [tail, 1 - tail])
    at_first, when_trained, later = (
        share.estimate or 0.0 for share in (probes.at_first, probes.trained, probes.probed)
    )
    return Retention(
        (later - at_first) / (when_trained - at_first), Interval(float(low), float(high)), probes
    )
