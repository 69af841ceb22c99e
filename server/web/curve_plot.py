"""A learning curve as path data, in a drawing of 1000 by 1000 units."""

from __future__ import annotations

from dataclasses import dataclass

from server.services.readiness import LearningCurve
from server.web.charts import Scale

POINTS = 48


@dataclass(frozen=True)
class CurvePlot:
    """What a template draws.

    Parameters
    ----------
    line, band : path data of the fitted accuracy and its 95 % band.
    answers : at the right edge; the left edge is the first answer.
    """

    line: str
    band: str
    answers: int


def curve_plot(learnt: LearningCurve) -> CurvePlot:
    """Return the paths of a fitted curve, from the first answer to the last."""
    answers = learnt.curve.answers
    across, up = Scale(1, answers, 0, 1000), Scale(0, 1, 1000, 0)
    # Closer together at first, where practice changes most.
    numbers = [1 + (answers - 1) * (step / (POINTS - 1)) ** 2 for step in range(POINTS)]
    bands = [learnt.curve.band(number) for number in numbers]
    middle = [
        (across(number), up(min(1.0, max(0.0, learnt.curve.accuracy(number)))))
        for number in numbers
    ]
    upper = [(across(n), up(band.high)) for n, band in zip(numbers, bands, strict=True)]
    lower = [(across(n), up(band.low)) for n, band in zip(numbers, bands, strict=True)]
    return CurvePlot(_path(middle), _path(upper + lower[::-1]) + "Z", answers)


def _path(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
