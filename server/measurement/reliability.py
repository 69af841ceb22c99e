"""How well a fixed test measures, and which of its items do not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri

from server.errors import BadInput
from server.measurement.proportions import CONFIDENCE, Interval

EXTREME_SHARE = 0.27
"""Share of people in the upper and in the lower group (Kelley 1939)."""


@dataclass(frozen=True, slots=True)
class Item:
    """One item of a test.

    Parameters
    ----------
    easiness : share of people who were right.
    with_total, with_rest : point-biserial correlation with the total, and with
        the total without this item; None when there is no spread. A negative
        ``with_rest`` marks a bad item.
    upper_lower : share right in the best 27 % minus that in the worst; people
        with the same total stay in the order given.
    """

    easiness: float
    with_total: float | None
    with_rest: float | None
    upper_lower: float


@dataclass(frozen=True)
class Reliability:
    """A test as a whole.

    Parameters
    ----------
    alpha : Kuder-Richardson 20 (equal to Cronbach's alpha); None when all
        totals are the same.
    lower_bound : Kuder-Richardson 21, as if all items were equally easy.
    measurement_error : standard error of a person's total, in items.
    items : in the order given.
    """

    alpha: float | None
    lower_bound: float | None
    measurement_error: float | None
    items: tuple[Item, ...]


def reliability(answers: ArrayLike) -> Reliability:
    """Return the reliability of a fixed test and the figures of its items.

    G. F. Kuder & M. W. Richardson, *Psychometrika* 2 (1937) 151-160, with the
    variance of the totals over n.

    Parameters
    ----------
    answers : 1 right, 0 wrong, shape (people, items).

    Raises
    ------
    BadInput : fewer than two people or items, or values other than 0 and 1.
    """
    right = np.asarray(answers, dtype=np.float64)
    if right.ndim != 2 or min(right.shape) < 2:
        raise BadInput("reliability needs at least two people and two items")
    if not np.isin(right, (0.0, 1.0)).all():
        raise BadInput("answers must be 1 for right and 0 for wrong")
    people, count = right.shape
    shares = right.mean(axis=0)
    totals = right.sum(axis=1)
    variance = float(totals.var())
    alpha = lower = error = None
    if variance > 0:
        factor = count / (count - 1)
        mean = float(totals.mean())
        alpha = factor * (1 - float((shares * (1 - shares)).sum()) / variance)
        lower = factor * (1 - mean * (count - mean) / (count * variance))
        error = math.sqrt(variance * max(0.0, 1 - alpha))
    group = max(1, round(EXTREME_SHARE * people))
    order = np.argsort(-totals, kind="stable")
    upper, lowest = right[order[:group]], right[order[-group:]]
    items = tuple(
        Item(
            easiness=float(shares[item]),
            with_total=_correlation(right[:, item], totals),
            with_rest=_correlation(right[:, item], totals - right[:, item]),
            upper_lower=float(upper[:, item].mean() - lowest[:, item].mean()),
        )
        for item in range(count)
    )
    return Reliability(alpha, lower, error, items)


def alpha_interval(
    alpha: float, people: int, items: int, confidence: float = CONFIDENCE
) -> Interval:
    """Return the confidence interval of a test's alpha.

    (1 - alpha of the population) over (1 - alpha of the sample) follows an F
    distribution with (people - 1) and (people - 1)(items - 1) degrees of freedom:
    L. S. Feldt, *Psychometrika* 30 (1965) 357-370. The lower end may be negative.

    Raises
    ------
    BadInput : fewer than two people or items, or the confidence is outside (0, 1).
    """
    if people < 2 or items < 2:
        raise BadInput("the interval of alpha needs at least two people and two items")
    if not 0.0 < confidence < 1.0:
        raise BadInput(f"confidence {confidence} is outside 0 to 1")
    between, within = people - 1, (people - 1) * (items - 1)
    tail = (1 - confidence) / 2
    return Interval(
        1 - (1 - alpha) * float(fdtri(between, within, 1 - tail)),
        1 - (1 - alpha) * float(fdtri(between, within, tail)),
    )


def _correlation(one: NDArray[np.float64], other: NDArray[np.float64]) -> float | None:
    if one.std() == 0 or other.std() == 0:
        return None
    return float(np.corrcoef(one, other)[0, 1])


def lengthened(alpha: float, factor: float) -> float:
    """Return the reliability of a test ``factor`` times as long (Spearman-Brown, 1910)."""
    return factor * alpha / (1 + (factor - 1) * alpha)


def length_for(alpha: float, wanted: float) -> float:
    """Return by what factor a test must be lengthened to reach a reliability.

    Raises
    ------
    BadInput : either is not between 0 and 1.
    """
    if not (0.0 < alpha < 1.0 and 0.0 < wanted < 1.0):
        raise BadInput("reliabilities must lie between 0 and 1")
    return wanted * (1 - alpha) / (alpha * (1 - wanted))
