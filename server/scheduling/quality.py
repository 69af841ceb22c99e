"""From an objective answer to quality 0 to 5: the learner never grades themselves.

Correctness comes first and speed can only choose between 3, 4 and 5, because
an answer that comes easily can still mislead (Benjamin, Bjork & Schwartz
1998). Accuracy together with response time as a measure of how well a visual
category is known follows Mettler, Massey & Kellman (2016) and Krasne et al.
(2013). Time is relative to the learner's own, so that a slow but steady reader
is not punished; there is no limit and no countdown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from statistics import median

FIRST_MEDIAN_SECONDS = 8.0
"""Stands in for the learner's median until there are enough right answers."""

MEDIAN_OF_LAST = 20
MEDIAN_FROM = 5
"""Fewer right answers than this say little about a learner's usual pace."""

SHORTEST_SECONDS = 0.3
"""Nobody sees a picture and answers within this: the clock, not the eye, was at work."""

UNTIMED_MEDIANS = 1.5
"""What an unusable time counts as: neither quick (up to 1) nor slow (beyond 2)."""

SLOW_MEDIANS = 2.0


class Outcome(StrEnum):
    """What the marked sheet comes to."""

    RIGHT = "right"
    PARTLY = "partly"
    WRONG = "wrong"


class Certainty(StrEnum):
    """How certain the learner said they were."""

    SURE = "sure"
    UNSURE = "unsure"
    GUESSING = "guessing"


def usual_seconds(right_seconds: Sequence[float]) -> float:
    """Return the learner's median time over the last 20 right, timed answers.

    Parameters
    ----------
    right_seconds : seconds of the learner's right answers whose time was
        usable (see `usable_seconds`), oldest first.

    Returns
    -------
    seconds; 8 s until there are five.
    """
    if len(right_seconds) < MEDIAN_FROM:
        return FIRST_MEDIAN_SECONDS
    return float(median(right_seconds[-MEDIAN_OF_LAST:]))


def usable_seconds(
    seconds: float | None,
    *,
    page_hidden: bool = False,
    first_look_of_day: bool = False,
    untimed: bool = False,
) -> float | None:
    """Return the response time, or None where it says nothing about recognition.

    Parameters
    ----------
    seconds : time with the page visible, from picture to commit.
    page_hidden : the page was out of sight during the look.
    first_look_of_day : the learner was still settling in.
    untimed : the learner asked not to be timed (WCAG 2.2, criterion 2.2.1).
    """
    if page_hidden or first_look_of_day or untimed or seconds is None:
        return None
    if not math.isfinite(seconds) or seconds < SHORTEST_SECONDS:
        return None
    return seconds


def quality(
    outcome: Outcome,
    certainty: Certainty | None,
    response_seconds: float | None,
    median_seconds: float = FIRST_MEDIAN_SECONDS,
    *,
    page_hidden: bool = False,
    first_look_of_day: bool = False,
    untimed: bool = False,
    called_normal: bool = False,
    hint_used: bool = False,
) -> int:
    """Return the quality of an answer, 0 to 5.

    ======== ============================================================= =
    right    sure (or not asked), within the learner's own median time     5
    right    sure within twice the median, or unsure within the median     4
    right    otherwise: guessing, slow, or helped by a hint                3
    partly   the card's finding was seen, but not all was right            2
    wrong    unsure or guessing                                            1
    wrong    sure, or an abnormal eye called normal throughout             0
    ======== ============================================================= =

    Parameters
    ----------
    outcome : what `marking.mark` made of the sheet.
    certainty : as stated; None where the learner was not asked.
    response_seconds : time with the page visible; None when unknown.
    median_seconds : the learner's usual time, from `usual_seconds`.
    page_hidden, first_look_of_day, untimed : guards of `usable_seconds`; where
        one holds, the time counts as one and a half medians.
    called_normal : an eye with findings was judged normal in every respect.
    hint_used : the learner asked for a hint first.
    """
    if outcome == Outcome.PARTLY:
        return 2
    if outcome == Outcome.WRONG:
        return 0 if called_normal or certainty in (None, Certainty.SURE) else 1
    seconds = usable_seconds(
        response_seconds,
        page_hidden=page_hidden,
        first_look_of_day=first_look_of_day,
        untimed=untimed,
    )
    medians = UNTIMED_MEDIANS if seconds is None else seconds / median_seconds
    if hint_used or certainty == Certainty.GUESSING:
        return 3
    if certainty in (None, Certainty.SURE):
        if medians <= 1.0:
            return 5
        return 4 if medians <= SLOW_MEDIANS else 3
    return 4 if medians <= 1.0 else 3
