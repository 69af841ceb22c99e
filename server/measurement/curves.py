"""The learning curve: a law fitted to a learner's answers, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.errors import BadInput
from server.measurement.proportions import CONFIDENCE, Interval, normal_quantile

Floats = NDArray[np.float64]

LEAST_ANSWERS = 60
BLOCK = 10
MOST_BLOCKS = 30
REWEIGHTINGS = 4
WIDEST_BAND = 0.35
"""A curve less certain than this at its end is not shown."""


class Law(StrEnum):
    """A law of practice: how accuracy rises with the number of answers n.

    Power: A - B n^-c (Newell & Rosenbloom 1981). Exponential: A - B e^(-n / t),
    which fits single learners better (Heathcote, Brown & Mewhort 2000).
    """

    POWER = "power"
    EXPONENTIAL = "exponential"


def law_value(law: Law, number: Floats, ceiling: float, rise: float, pace: float) -> Floats:
    """Return the accuracy after so many answers, shape of ``number``."""
    if law == Law.POWER:
        shape: Floats = number**-pace
    else:
        shape = np.exp(-number / pace)
    value: Floats = ceiling - rise * shape
    return value


def _slopes(law: Law, number: Floats, rise: float, pace: float) -> Floats:
    """Return the derivatives by ceiling, rise and pace, shape (len(number), 3)."""
    if law == Law.POWER:
        shape = number**-pace
        by_pace = rise * shape * np.log(number)
    else:
        shape = np.exp(-number / pace)
        by_pace = -rise * shape * number / pace**2
    slopes: Floats = np.column_stack([np.ones_like(number), -shape, by_pace])
    return slopes


@dataclass(frozen=True)
class Curve:
    """A fitted learning curve.

    Parameters
    ----------
    law : the one that fits better.
    ceiling, rise, pace : A, B and c (power) or t (exponential).
    covariance : of the three, shape (3, 3).
    answers : how many it was fitted to.
    """

    law: Law
    ceiling: float
    rise: float
    pace: float
    covariance: Floats
    answers: int

    def accuracy(self, number: float) -> float:
        """Return the fitted accuracy after so many answers."""
        at = np.array([number], dtype=np.float64)
        return float(law_value(self.law, at, self.ceiling, self.rise, self.pace)[0])

    def band(self, number: float, confidence: float = CONFIDENCE) -> Interval:
        """Return the interval of the fitted accuracy, within 0 and 1 (delta method)."""
        at = np.array([number], dtype=np.float64)
        slopes = _slopes(self.law, at, self.rise, self.pace)[0]
        error = math.sqrt(max(0.0, float(slopes @ self.covariance @ slopes)))
        reach = normal_quantile(0.5 + confidence / 2) * error
        middle = self.accuracy(number)
        return Interval(max(0.0, middle - reach), min(1.0, middle + reach))

    def answers_to(self, accuracy: float) -> float | None:
        """Return after how many answers an accuracy is reached; None if it never is."""
        if accuracy >= self.ceiling or self.rise <= 0:
            return None
        ratio = self.rise / (self.ceiling - accuracy)
        if self.law == Law.POWER:
            return float(max(1.0, ratio ** (1 / self.pace)))
        return float(max(1.0, self.pace * math.log(ratio)))


def fit_law(law: Law, numbers: Floats, shares: Floats, errors: Floats | None = None) -> Curve:
    """Fit one law by weighted least squares.

    Parameters
    ----------
    numbers : answers so far, at least 1, shape (n,) with n >= 4.
    shares : accuracy there, shape (n,).
    errors : its standard errors, or None for equal weights.

    Raises
    ------
    BadInput : too few points, or no fit is found.
    """
    # scipy.optimize takes a quarter of a second to load; most requests need no fit.
    from scipy.optimize import curve_fit

    if len(numbers) < 4 or len(numbers) != len(shares):
        raise BadInput("a learning curve needs four points or more, each with its share")

    def value(number: Floats, ceiling: float, rise: float, pace: float) -> Floats:
        return law_value(law, number, ceiling, rise, pace)

    def slopes(number: Floats, ceiling: float, rise: float, pace: float) -> Floats:
        return _slopes(law, number, rise, pace)

    span = float(numbers[-1])
    paces = (0.02, 3.0) if law == Law.POWER else (1.0, 5 * span)
    start = 0.5 if law == Law.POWER else span / 3
    top = float(np.clip(shares[len(shares) // 2 :].mean() + 0.02, 0.05, 0.99))
    try:
        fitted, covariance = curve_fit(
            value,
            numbers,
            shares,
            p0=(top, max(0.05, min(0.9, top - float(shares[0]))), start),
            sigma=errors,
            absolute_sigma=errors is not None,
            bounds=((0.0, -1.0, paces[0]), (1.0, 1.5, paces[1])),
            jac=slopes,
            max_nfev=2000,
        )
    except RuntimeError as error:
        raise BadInput("no learning curve fits these answers") from error
    ceiling, rise, pace = (float(each) for each in fitted)
    return Curve(law, ceiling, rise, pace, np.asarray(covariance, dtype=np.float64), len(numbers))


def learning_curve(right: Sequence[bool]) -> Curve | None:
    """Fit a learner's answers, or return None while they say too little.

    The fit is by weighted least squares over blocks of answers, weighted anew
    by the fitted accuracy until it settles: weights taken from each block's own
    share would favour the blocks that went well by luck. At least 60 answers
    are needed, the fit must succeed, and its band at the last answer must not
    be wider than 0.35. Of the two laws the one with the higher likelihood is
    kept.

    Parameters
    ----------
    right : every answer, oldest first.
    """
    count = len(right)
    if count < LEAST_ANSWERS:
        return None
    blocks = np.array_split(np.asarray(right, dtype=np.float64), min(MOST_BLOCKS, count // BLOCK))
    sizes: Floats = np.array([len(block) for block in blocks], dtype=np.float64)
    numbers: Floats = np.cumsum(sizes) - (sizes - 1) / 2
    shares: Floats = np.array([block.mean() for block in blocks])
    curves = []
    for law in Law:
        try:
            curve = _reweighted(law, numbers, shares, sizes)
        except BadInput:
            continue
        if np.isfinite(curve.covariance).all():
            chances = _chances(curve, numbers)
            likelihood = sizes * (shares * np.log(chances) + (1 - shares) * np.log(1 - chances))
            curves.append((-float(likelihood.sum()), curve))
    if not curves:
        return None
    best = min(curves, key=lambda pair: pair[0])[1]
    if best.band(count).width > WIDEST_BAND:
        return None
    return Curve(best.law, best.ceiling, best.rise, best.pace, best.covariance, count)


def _reweighted(law: Law, numbers: Floats, shares: Floats, sizes: Floats) -> Curve:
    chances: Floats = np.full_like(shares, np.clip(shares.mean(), 0.05, 0.95))
    for _ in range(REWEIGHTINGS):
        curve = fit_law(law, numbers, shares, np.sqrt(chances * (1 - chances) / sizes))
        chances = _chances(curve, numbers)
    return curve


def _chances(curve: Curve, numbers: Floats) -> Floats:
    """Return fitted accuracies, kept off 0 and 1, where an answer would be no surprise."""
    fitted = law_value(curve.law, numbers, curve.ceiling, curve.rise, curve.pace)
    chances: Floats = np.clip(fitted, 0.03, 0.97)
    return chances
