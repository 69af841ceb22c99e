"""Telling eyes with a finding from eyes without: sensitivity to it, and the leaning.

Sensitivity and specificity move when the case mix changes a reader's leaning,
while d' does not (Gallas et al., *J Med Imaging* 2019), so both are shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.errors import BadInput
from server.measurement.proportions import CONFIDENCE, Interval, normal_quantile


@dataclass(frozen=True, slots=True)
class Signal:
    """Equal-variance signal detection.

    Parameters
    ----------
    d_prime : distance between the two kinds of eye in standard deviations; 0
        is guessing.
    criterion : c; positive leans to 'normal', negative to 'present'.
    standard_error : of d'.
    """

    d_prime: float
    criterion: float
    standard_error: float

    def interval(self, confidence: float = CONFIDENCE) -> Interval:
        """Return the normal interval of d'."""
        reach = normal_quantile(0.5 + confidence / 2) * self.standard_error
        return Interval(self.d_prime - reach, self.d_prime + reach)


def signal(hits: int, misses: int, false_alarms: int, correct_rejections: int) -> Signal:
    """Return d' and c with the log-linear correction.

    H = (hits + 1/2) / (eyes with + 1), F = (false alarms + 1/2) / (eyes without
    + 1), d' = z(H) - z(F), c = -(z(H) + z(F)) / 2 (M. J. Hautus, *Behav Res
    Methods* 27 (1995) 46-51). Half an answer is added on each side so that a
    clean sheet does not give an infinite d'. The standard error is the large
    sample one of Gourevitch & Galanter, *Psychometrika* 32 (1967) 25-33, at
    the corrected rates.

    Raises
    ------
    BadInput : a count is negative.
    """
    if min(hits, misses, false_alarms, correct_rejections) < 0:
        raise BadInput("counts of answers cannot be negative")
    with_finding = hits + misses + 1
    without = false_alarms + correct_rejections + 1
    hit_rate = (hits + 0.5) / with_finding
    false_alarm_rate = (false_alarms + 0.5) / without
    z_hit, z_false = normal_quantile(hit_rate), normal_quantile(false_alarm_rate)
    variance = _variance(hit_rate, z_hit, with_finding) + _variance(
        false_alarm_rate, z_false, without
    )
    return Signal(z_hit - z_false, -(z_hit + z_false) / 2, math.sqrt(variance))


def _variance(rate: float, z: float, answers: int) -> float:
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return rate * (1 - rate) / (answers * density * density)
