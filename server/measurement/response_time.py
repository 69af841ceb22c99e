"""How quickly a learner answers: medians, since times have a long tail."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from server.errors import BadInput
from server.measurement.proportions import Interval

LEAST_ANSWERS = 6
"""Fewer answers give no 95 % interval for a median."""


@dataclass(frozen=True, slots=True)
class ResponseTime:
    """Response times of some answers, in seconds.

    Parameters
    ----------
    answers : how many.
    median : the middle time.
    quartiles : a quarter are quicker than the first, a quarter slower than the second.
    interval : 95 % interval of the median; None below six answers.
    """

    answers: int
    median: float
    quartiles: tuple[float, float]
    interval: Interval | None


def response_time(seconds: Sequence[float]) -> ResponseTime | None:
    """Summarise response times; None without any.

    The interval runs between two order statistics, chosen by the binomial
    distribution so that it holds the median at least 95 % of the time whatever
    the shape of the times (W. J. Conover, *Practical Nonparametric Statistics*;
    from memory).

    Raises
    ------
    BadInput : a time is negative or not finite.
    """
    if any(not math.isfinite(each) or each < 0 for each in seconds):
        raise BadInput("a response time must be a number of seconds, not below 0")
    if not seconds:
        return None
    ordered = sorted(seconds)
    return ResponseTime(
        answers=len(ordered),
        median=_quantile(ordered, 0.5),
        quartiles=(_quantile(ordered, 0.25), _quantile(ordered, 0.75)),
        interval=_median_interval(ordered),
    )


def _quantile(ordered: Sequence[float], share: float) -> float:
    """Return a quantile, linear between order statistics."""
    place = share * (len(ordered) - 1)
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def _median_interval(ordered: Sequence[float]) -> Interval | None:
    count = len(ordered)
    if count < LEAST_ANSWERS:
        return None
    # The largest number of answers to cut at each end with a tail below 2.5 %.
    tail, cut = 0.0, 0
    while True:
        tail += math.exp(
            math.lgamma(count + 1)
            - math.lgamma(cut + 1)
            - math.lgamma(count - cut + 1)
            - count * math.log(2)
        )
        if tail > 0.025:
            break
        cut += 1
    return Interval(ordered[cut - 1], ordered[count - cut])
