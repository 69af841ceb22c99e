"""Certainty against accuracy: does 'sure' mean right?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from server.errors import BadInput
from server.measurement.proportions import Proportion

STATED_CHANCE = {"sure": 0.95, "unsure": 0.75, "guessing": 0.5}
"""What the three levels are taken to claim of a whole sheet: the break-evens of
certainty-based marking lie at 67 and 80 % (Gardner-Medwin; value from memory), and
each level claims a chance on its own side of them."""


@dataclass(frozen=True, slots=True)
class Level:
    """All answers that claimed the same chance.

    Parameters
    ----------
    stated : the chance claimed, 0 to 1.
    right : of how many answers.
    """

    stated: float
    right: Proportion


@dataclass(frozen=True)
class Calibration:
    """How far stated chances and outcomes agree.

    Parameters
    ----------
    levels : lowest claim first.
    brier : mean squared difference of claim and outcome; 0 is perfect (Brier 1950).
    reliability, resolution, uncertainty : Murphy's (1973) parts of it; Brier =
        reliability - resolution + uncertainty.
    calibration_error : mean distance of claim and share right, by answers.
    bias : mean claim minus share right; positive is overconfident.
    explained : squared correlation of claim and outcome; None when either never
        varies.
    """

    levels: tuple[Level, ...]
    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    calibration_error: float
    bias: float
    explained: float | None

    @property
    def answers(self) -> int:
        """Return how many answers it rests on."""
        return sum(level.right.answers for level in self.levels)

    @property
    def leaning(self) -> float | None:
        """Return the bias in standard errors, as if every claim were true.

        Calibration in the large (D. R. Cox, *Biometrika* 45 (1958) 562-565): the
        difference of the claims' sum and the number right over the root of the
        sum of claim (1 - claim). Beyond about 2 either way chance is a poor
        explanation. None when every claim is 0 or 1, which leaves nothing to chance.
        """
        spread = math.fsum(
            level.right.answers * level.stated * (1 - level.stated) for level in self.levels
        )
        return self.bias * self.answers / math.sqrt(spread) if spread > 0 else None


def calibration(claims: Iterable[tuple[float, bool]]) -> Calibration | None:
    """Compare stated chances with outcomes; None without answers.

    Parameters
    ----------
    claims : for each answer the chance stated and whether it was right.

    Raises
    ------
    BadInput : a stated chance is outside 0 to 1.
    """
    counts: dict[float, tuple[int, int]] = {}
    for stated, right in claims:
        if not 0.0 <= stated <= 1.0:
            raise BadInput(f"a stated chance of {stated} is outside 0 to 1")
        so_far = counts.get(stated, (0, 0))
        counts[stated] = (so_far[0] + right, so_far[1] + 1)
    if not counts:
        return None
    levels = tuple(Level(stated, Proportion(*counts[stated])) for stated in sorted(counts))
    answers = sum(level.right.answers for level in levels)
    base = sum(level.right.successes for level in levels) / answers
    mean_stated = _mean(levels, answers, [level.stated for level in levels])
    shares = [level.right.successes / level.right.answers for level in levels]
    reliability = _mean(
        levels,
        answers,
        [(level.stated - share) ** 2 for level, share in zip(levels, shares, strict=True)],
    )
    resolution = _mean(levels, answers, [(share - base) ** 2 for share in shares])
    spread = _mean(levels, answers, [(level.stated - mean_stated) ** 2 for level in levels])
    joint = _mean(
        levels,
        answers,
        [
            (level.stated - mean_stated) * (share - base)
            for level, share in zip(levels, shares, strict=True)
        ],
    )
    uncertainty = base * (1 - base)
    varies = spread > 0 and uncertainty > 0
    return Calibration(
        levels=levels,
        brier=reliability - resolution + uncertainty,
        reliability=reliability,
        resolution=resolution,
        uncertainty=uncertainty,
        calibration_error=_mean(
            levels,
            answers,
            [abs(level.stated - share) for level, share in zip(levels, shares, strict=True)],
        ),
        bias=mean_stated - base,
        explained=joint**2 / (spread * uncertainty) if varies else None,
    )


def _mean(levels: Sequence[Level], answers: int, values: Sequence[float]) -> float:
    return (
        math.fsum(level.right.answers * value for level, value in zip(levels, values, strict=True))
        / answers
    )


def certainty_calibration(answers: Iterable[tuple[str, bool]]) -> Calibration | None:
    """Compare certainty (sure, unsure, guessing) with whether the sheet was right.

    Raises
    ------
    BadInput : a certainty is none of the three.
    """
    claims = []
    for certainty, right in answers:
        if certainty not in STATED_CHANCE:
            raise BadInput(f"certainty {certainty!r} is none of {', '.join(STATED_CHANCE)}")
        claims.append((STATED_CHANCE[certainty], right))
    return calibration(claims)
