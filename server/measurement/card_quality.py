"""Does a card tell those who see from those who do not, and can anybody read it?

A card that good readers get wrong more often than poor ones misleads: its picture,
its truth or its teaching deserves a look. The measure is the correlation between a
learner's share right on the card and their share right on everything else, the
corrected item-total correlation of test theory (Henrysson, *Psychometrika* 28 (1963)
211-218), over learners.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from server.errors import BadInput
from server.measurement.proportions import CONFIDENCE, Interval, Proportion, normal_quantile

FEWEST_LEARNERS = 20
"""A correlation over fewer says next to nothing (our choice)."""

FEWEST_ELSEWHERE = 10
"""Answers elsewhere without which a learner's skill is not known (our choice)."""

HARDLY_EVER = 0.3
FEWEST_IN_A_THIRD = 10


@dataclass(frozen=True, slots=True)
class Reader:
    """One learner's answers on a card and on everything else."""

    here: Proportion
    elsewhere: Proportion


@dataclass(frozen=True, slots=True)
class Discrimination:
    """How well a card tells learners apart.

    Parameters
    ----------
    r : from -1 to 1; below 0 the better readers get it wrong more often.
    interval : 95 % by Fisher's z (*Metron* 1 (1921) 3-32).
    learners : whom it rests on.
    """

    r: float
    interval: Interval
    learners: int


class Flag(StrEnum):
    """Why a card deserves a look."""

    MISLEADS = "misleads"
    """Better readers get it wrong more often."""
    TOO_HARD = "too-hard"
    """Hardly ever right, at every level of skill."""


def discrimination(readers: Sequence[Reader]) -> Discrimination | None:
    """Return a card's discrimination, or None when too few learners or all alike.

    Learners with fewer than `FEWEST_ELSEWHERE` answers elsewhere are left out.
    """
    known = _known(readers)
    if len(known) < FEWEST_LEARNERS:
        return None
    here = np.array([one.here.successes / one.here.answers for one in known])
    elsewhere = np.array([one.elsewhere.successes / one.elsewhere.answers for one in known])
    if np.ptp(here) == 0 or np.ptp(elsewhere) == 0:
        return None
    r = float(np.corrcoef(here, elsewhere)[0, 1])
    if abs(r) >= 1 - 1e-12:
        return Discrimination(r, Interval(r, r), len(known))
    reach = normal_quantile(0.5 + CONFIDENCE / 2) / math.sqrt(len(known) - 3)
    z = math.atanh(r)
    return Discrimination(r, Interval(math.tanh(z - reach), math.tanh(z + reach)), len(known))


def flags(readers: Sequence[Reader]) -> tuple[Flag, ...]:
    """Return why a card deserves a look; nothing when it does not, or nothing can be said."""
    found = []
    told = discrimination(readers)
    # The whole interval lies below nought: chance alone seldom does that.
    if told is not None and told.interval.high < 0:
        found.append(Flag.MISLEADS)
    thirds = by_skill(readers)
    if thirds and all(
        third.answers >= FEWEST_IN_A_THIRD and third.successes < HARDLY_EVER * third.answers
        for third in thirds
    ):
        found.append(Flag.TOO_HARD)
    return tuple(found)


def by_skill(readers: Sequence[Reader]) -> tuple[Proportion, Proportion, Proportion] | None:
    """Return the share right on a card in the lower, middle and upper third of learners.

    None when fewer than three learners have answers enough elsewhere.
    """
    known = sorted(_known(readers), key=lambda one: one.elsewhere.successes / one.elsewhere.answers)
    if len(known) < 3:
        return None
    cuts = [round(len(known) * part / 3) for part in range(4)]
    low, middle, high = (
        sum((one.here for one in known[cuts[k] : cuts[k + 1]]), Proportion(0, 0)) for k in range(3)
    )
    return low, middle, high


def _known(readers: Sequence[Reader]) -> list[Reader]:
    if any(one.here.answers == 0 for one in readers):
        raise BadInput("a reader of a card has at least one answer on it")
    return [one for one in readers if one.elsewhere.answers >= FEWEST_ELSEWHERE]
