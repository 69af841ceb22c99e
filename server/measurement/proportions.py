"""A share of answers with the interval that belongs to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

from server.errors import BadInput

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence (or credible) interval, ends included."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    @property
    def width(self) -> float:
        """Return high minus low."""
        return self.high - self.low


@lru_cache(maxsize=64)
def normal_quantile(probability: float) -> float:
    """Return the value below which a standard normal falls with this probability."""
    return NormalDist().inv_cdf(probability)


def wilson(successes: int, answers: int, confidence: float = CONFIDENCE) -> Interval:
    """Return the Wilson score interval of a share.

    (p + z^2/2n ± z sqrt(p(1 - p)/n + z^2/4n^2)) / (1 + z^2/n), after E. B.
    Wilson, *J Am Stat Assoc* 22 (1927) 209-212; compared with six others by R.
    G. Newcombe, *Stat Med* 17 (1998) 857-872, and used here because it stays
    honest for few answers and at 0 or 100 %.

    Parameters
    ----------
    successes, answers : whole numbers, 0 <= successes <= answers. Without
        answers the interval is all that is possible, 0 to 1.
    confidence : between 0 and 1.

    Raises
    ------
    BadInput : the counts are impossible, or the confidence is outside (0, 1).
    """
    if not 0 <= successes <= answers:
        raise BadInput(f"{successes} of {answers} answers is not a share")
    if not 0.0 < confidence < 1.0:
        raise BadInput(f"confidence {confidence} is outside 0 to 1")
    if answers == 0:
        return Interval(0.0, 1.0)
    z = normal_quantile(0.5 + confidence / 2)
    share = successes / answers
    middle = share + z * z / (2 * answers)
    reach = z * math.sqrt(share * (1 - share) / answers + z * z / (4 * answers * answers))
    scale = 1 + z * z / answers
    # At 0 and 100 % one end is exact on paper but not in binary fractions.
    low = 0.0 if successes == 0 else (middle - reach) / scale
    high = 1.0 if successes == answers else (middle + reach) / scale
    return Interval(low, high)


@dataclass(frozen=True, slots=True)
class Proportion:
    """So many successes in so many answers."""

    successes: int
    answers: int

    def __post_init__(self) -> None:
        if not 0 <= self.successes <= self.answers:
            raise BadInput(f"{self.successes} of {self.answers} answers is not a share")

    @property
    def estimate(self) -> float | None:
        """Return the share, 0 to 1; None without answers."""
        return self.successes / self.answers if self.answers else None

    @property
    def interval(self) -> Interval:
        """Return the Wilson 95 % interval."""
        return wilson(self.successes, self.answers)

    def __add__(self, other: Proportion) -> Proportion:
        return Proportion(self.successes + other.successes, self.answers + other.answers)


def answers_needed(answers: int, bound: float, confidence: float = CONFIDENCE) -> int | None:
    """Return the fewest successes whose Wilson lower end reaches ``bound``.

    None when even a clean sheet of so many answers is too few.
    """
    for successes in range(math.floor(bound * answers), answers + 1):
        if wilson(successes, answers, confidence).low >= bound:
            return successes
    return None


def chance_corrected(share: float, options: int) -> float:
    """Return (x - 1/k) / (1 - 1/k): the share beyond guessing among ``options``.

    Raises
    ------
    BadInput : fewer than two options.
    """
    if options < 2:
        raise BadInput("guessing needs at least two options")
    return (share - 1 / options) / (1 - 1 / options)
