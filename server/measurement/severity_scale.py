"""From severity 0 to 1 to the trade's units: Frisén stage, cup-to-disc ratio, drusen size."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass

from server.errors import BadInput

LEAST_LOOKS = 8


@dataclass(frozen=True)
class SeverityScale:
    """A rising line from severity to a measure, read off eyes already measured.

    Parameters
    ----------
    severities : rising, without ties.
    measures : the measure there, never falling.
    """

    severities: tuple[float, ...]
    measures: tuple[float, ...]

    def measure(self, severity: float) -> float:
        """Return the measure at a severity, straight between known points, flat beyond."""
        place = bisect_left(self.severities, severity)
        if place == 0:
            return self.measures[0]
        if place == len(self.severities):
            return self.measures[-1]
        left, right = self.severities[place - 1], self.severities[place]
        share = (severity - left) / (right - left)
        return self.measures[place - 1] + share * (self.measures[place] - self.measures[place - 1])


def severity_scale(looks: Iterable[tuple[float, float]]) -> SeverityScale | None:
    """Fit a scale by isotonic regression; None below eight looks.

    Anatomy differs, so one severity gives different measures in different
    eyes: the best never-falling line through them is the mean of each pool of
    adjacent violators (Barlow et al. 1972).

    Parameters
    ----------
    looks : severity (0 to 1) and measure, in the trade's unit, of eyes with the finding.

    Raises
    ------
    BadInput : a severity is outside 0 to 1.
    """
    by_severity: dict[float, list[float]] = {}
    count = 0
    for severity, measure in looks:
        if not 0.0 <= severity <= 1.0:
            raise BadInput(f"severity {severity} is outside 0 to 1")
        by_severity.setdefault(severity, []).append(measure)
        count += 1
    if count < LEAST_LOOKS:
        return None
    pools: list[tuple[float, int, list[float]]] = []
    for severity in sorted(by_severity):
        measures = by_severity[severity]
        mean, weight, held = sum(measures) / len(measures), len(measures), [severity]
        while pools and pools[-1][0] >= mean:
            before, more, earlier = pools.pop()
            mean = (mean * weight + before * more) / (weight + more)
            weight, held = weight + more, earlier + held
        pools.append((mean, weight, held))
    return SeverityScale(
        tuple(severity for _, _, held in pools for severity in held),
        tuple(mean for mean, _, held in pools for _ in held),
    )
