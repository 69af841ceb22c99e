"""Where a test's pass mark should lie: by judges of its items, or by how examiners rated people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from server.errors import BadInput

FEWEST_RATED = 3
"""A line through two people would fit them whatever they did."""


@dataclass(frozen=True, slots=True)
class JudgedMark:
    """A pass mark from judges' estimates.

    Parameters
    ----------
    mark : items that somebody who only just passes would get right.
    share : the same as a share of all items.
    by_judge : each judge's own mark, in the order given.
    standard_error : of the mark, from how far the judges differ; None with one judge.
    """

    mark: float
    share: float
    by_judge: tuple[float, ...]
    standard_error: float | None


def judged_mark(estimates: ArrayLike) -> JudgedMark:
    """Return the pass mark of a test by the modified method of W. H. Angoff.

    Each judge says, item by item, what share of people who only just deserve to
    pass would be right; a judge's mark is the sum over the items, the test's the
    mean over the judges. W. H. Angoff in R. L. Thorndike (ed.), *Educational
    Measurement*, 2nd ed. (1971) 508-600. Only the judges' spread makes the
    standard error (their standard deviation over the root of their number).

    Parameters
    ----------
    estimates : shares from 0 to 1, shape (judges, items).

    Raises
    ------
    BadInput : no judges or no items, an estimate is missing or not a share.
    """
    shares = np.asarray(estimates, dtype=np.float64)
    if shares.ndim != 2 or min(shares.shape) < 1:
        raise BadInput("a judged pass mark needs at least one judge and one item")
    if not ((shares >= 0) & (shares <= 1)).all():
        raise BadInput("every judge must give every item a share from 0 to 1")
    marks = shares.sum(axis=1)
    judges = len(marks)
    return JudgedMark(
        mark=float(marks.mean()),
        share=float(marks.mean()) / shares.shape[1],
        by_judge=tuple(float(one) for one in marks),
        standard_error=float(marks.std(ddof=1)) / math.sqrt(judges) if judges > 1 else None,
    )


@dataclass(frozen=True, slots=True)
class BorderlineMark:
    """A pass mark read off the line of scores on ratings.

    Parameters
    ----------
    intercept, slope : of the line; slope in points of score for one step of rating.
    mark : the score at the borderline rating.
    explained : share of the scores' variance that the ratings explain (r²).
    standard_error : of the line's height at the borderline rating.
    people : who were rated.
    """

    intercept: float
    slope: float
    mark: float
    explained: float
    standard_error: float
    people: int


def borderline_mark(
    ratings: Sequence[float], scores: Sequence[float], borderline: float
) -> BorderlineMark:
    """Return the score at which a least-squares line meets the borderline rating.

    Examiners rate each person's whole performance without knowing the score;
    the pass mark is where the line of score on rating meets 'borderline'. A.
    Kramer et al., *Med Educ* 37 (2003) 132-139.

    Parameters
    ----------
    ratings, scores : one of each for every person, in the same order.
    borderline : the rating that stands for borderline.

    Raises
    ------
    BadInput : fewer than three people, all with the same rating, a number that
        is not finite, or scores that do not rise with the ratings, so that no
        mark follows from them.
    """
    x = np.asarray(ratings, dtype=np.float64)
    y = np.asarray(scores, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or len(x) < FEWEST_RATED:
        raise BadInput(f"borderline regression needs at least {FEWEST_RATED} people who were rated")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise BadInput("ratings and scores must be numbers")
    spread = float(((x - x.mean()) ** 2).sum())
    if spread == 0:
        raise BadInput("borderline regression needs at least two different ratings")
    slope = float(((x - x.mean()) * (y - y.mean())).sum()) / spread
    if slope <= 0:
        raise BadInput("scores do not rise with the ratings: no pass mark follows from them")
    intercept = float(y.mean()) - slope * float(x.mean())
    residual = float(((y - intercept - slope * x) ** 2).sum())
    total = float(((y - y.mean()) ** 2).sum())
    people = len(x)
    scatter = residual / (people - 2)
    reach = 1 / people + (borderline - float(x.mean())) ** 2 / spread
    return BorderlineMark(
        intercept=intercept,
        slope=slope,
        mark=intercept + slope * borderline,
        explained=1 - residual / total,
        standard_error=math.sqrt(scatter * reach),
        people=people,
    )
