"""The smallest severity of a finding that a learner sees reliably, and where to practise.

A Bayesian estimate after every look, as in QUEST (A. B. Watson & D. G. Pelli,
*Percept Psychophys* 33 (1983) 113-120), over the place and, as in the method
of L. L. Kontsevich & C. W. Tyler (*Vision Res* 39 (1999) 2729-2737), also the
slope of the psychometric function.

The chance of calling a finding present at severity x is the Weibull function

    P(x) = g + (1 - g - l) (1 - exp(-(x / a)^b))

with g the chance of calling it in an eye without it (the learner's false
alarms), l = 0.02 the chance of a slip, and a and b unknown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from random import Random

from server.errors import BadInput

SLIP = 0.02
SLOPES = (1.5, 2.5, 4.0)
"""QUEST takes 3.5 for contrast; severity is not contrast, so three are weighed."""

SCALES = tuple(10 ** (-1.7 + 0.04 * place) for place in range(51))
"""Values of a: severities 0.02 to 2; above 1 for those who miss the plainest."""

PRIOR_MEDIAN = 0.4
PRIOR_SPREAD = 0.35
"""Of log10 a: wide, so that a few looks outweigh it."""

HALF_LIFE_LOOKS = 40
"""A look this far back counts half: learners improve, and the estimate must follow."""

TARGET = 0.8
"""Practise where about four of five are seen, between 75 and 85 % (R. Wilson et
al., *Nat Commun* 2019, find 84 % for gradient learners on two-way tasks; value
from memory)."""

LEAST_SEVERITY = 0.02
KNOWN_FROM_LOOKS = 12
WIDEST_KNOWN = 0.4
JITTER = 0.08
ANYWHERE = 0.2


@dataclass(frozen=True, slots=True)
class Look:
    """One eye with the finding: how severe it was and whether it was called present."""

    severity: float
    seen: bool


@dataclass(frozen=True, slots=True)
class Threshold:
    """The severity at which the finding is called present with the target chance.

    Parameters
    ----------
    severity : the posterior median, 0 to 1.
    low, high : the 95 % credible interval, ends not above 1.
    looks : how many it rests on.
    is_known : there are enough looks and the interval is narrow enough to say
        it to the learner.
    is_beyond : even the plainest severity is probably not seen reliably.
    """

    severity: float
    low: float
    high: float
    looks: int
    is_known: bool
    is_beyond: bool


class ThresholdEstimate:
    """What is believed about one learner's threshold for one finding.

    Parameters
    ----------
    looks : at eyes with the finding, oldest first.
    false_alarm_rate : how often the learner calls the finding in eyes without
        it, 0 to below 0.7.

    Raises
    ------
    BadInput : a severity is outside 0 to 1, or the rate is out of range.
    """

    def __init__(self, looks: Sequence[Look], false_alarm_rate: float = 0.1) -> None:
        if not 0.0 <= false_alarm_rate < 0.7:
            raise BadInput(
                f"with a false-alarm rate of {false_alarm_rate} there is no threshold to find"
            )
        if any(not 0.0 <= look.severity <= 1.0 for look in looks):
            raise BadInput("a severity lies outside 0 to 1")
        self.looks = len(looks)
        # Rates are rounded so that tables of the function can be kept.
        self._guess = round(false_alarm_rate, 2)
        logs = list(_log_prior())
        for age, look in enumerate(reversed(looks)):
            weight = 0.5 ** (age / HALF_LIFE_LOOKS)
            seen, missed = _log_chances(round(look.severity, 2), self._guess)
            for place, log in enumerate(seen if look.seen else missed):
                logs[place] += weight * log
        peak = max(logs)
        weights = [math.exp(log - peak) for log in logs]
        total = sum(weights)
        self._weights = [weight / total for weight in weights]

    def chance(self, severity: float) -> float:
        """Return the chance, averaged over what is believed, that it is called present."""
        return sum(
            weight * weibull(severity, scale, slope, self._guess)
            for weight, (scale, slope) in zip(self._weights, _grid(), strict=True)
        )

    def placement(self, target: float = TARGET) -> float:
        """Return the severity at which the chance is the target; 1 if none reaches it."""
        low, high = LEAST_SEVERITY, 1.0
        if self.chance(high) <= target:
            return high
        if self.chance(low) >= target:
            return low
        for _ in range(20):
            middle = (low + high) / 2
            if self.chance(middle) < target:
                low = middle
            else:
                high = middle
        return high

    def threshold(self, target: float = TARGET) -> Threshold:
        """Return the threshold with its interval.

        Raises
        ------
        BadInput : the target is not above the false-alarm rate.
        """
        reach = (target - self._guess) / (1 - self._guess - SLIP)
        if not 0.0 < reach < 1.0:
            raise BadInput(f"a chance of {target} is not between guessing and slips")
        severities = sorted(
            (scale * (-math.log(1 - reach)) ** (1 / slope), weight)
            for weight, (scale, slope) in zip(self._weights, _grid(), strict=True)
        )
        low, middle, high = (_quantile(severities, share) for share in (0.025, 0.5, 0.975))
        narrow = min(1.0, high) - min(1.0, low) <= WIDEST_KNOWN
        return Threshold(
            severity=min(1.0, middle),
            low=min(1.0, low),
            high=min(1.0, high),
            looks=self.looks,
            is_known=self.looks >= KNOWN_FROM_LOOKS and narrow,
            is_beyond=middle > 1.0,
        )

    def draw_severity(self, band: tuple[float, float], rng: Random) -> float:
        """Draw a severity within a card's band, near where practice pays.

        Most looks fall within 0.08 of the placement; one in five falls anywhere
        in the band, so that the estimate keeps being tested and plain examples
        stay in sight.

        Raises
        ------
        BadInput : the band is not a range within 0 to 1.
        """
        low, high = band
        if not 0.0 <= low <= high <= 1.0:
            raise BadInput(f"a severity band of {low} to {high} is not within 0 to 1")
        if rng.random() < ANYWHERE:
            return rng.uniform(low, high)
        near = self.placement()
        # Beyond the band, use the end nearest to the placement, not that end alone.
        start = min(max(near - JITTER, low), max(low, high - JITTER))
        end = max(min(near + JITTER, high), min(high, low + JITTER))
        return rng.uniform(start, end)


def weibull(severity: float, scale: float, slope: float, guess: float) -> float:
    """Return the chance that a finding of this severity is called present."""
    return guess + (1 - guess - SLIP) * -math.expm1(-((severity / scale) ** slope))


@lru_cache(maxsize=1)
def _grid() -> tuple[tuple[float, float], ...]:
    return tuple((scale, slope) for slope in SLOPES for scale in SCALES)


@lru_cache(maxsize=1)
def _log_prior() -> tuple[float, ...]:
    return tuple(
        -0.5 * ((math.log10(scale) - math.log10(PRIOR_MEDIAN)) / PRIOR_SPREAD) ** 2
        for scale, _ in _grid()
    )


@lru_cache(maxsize=8192)
def _log_chances(severity: float, guess: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the log chance of seen and of missed at every point of the grid."""
    chances = [
        min(max(weibull(severity, scale, slope, guess), 1e-6), 1 - 1e-6) for scale, slope in _grid()
    ]
    return tuple(map(math.log, chances)), tuple(math.log1p(-chance) for chance in chances)


def _quantile(values: Sequence[tuple[float, float]], share: float) -> float:
    """Return the value below which a share of the weight lies; values in order."""
    passed = 0.0
    for value, weight in values:
        passed += weight
        if passed >= share:
            return value
    return values[-1][0]
