"""What to teach a cohort next: the one thing in which it falls furthest short."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from server.measurement.proportions import Proportion
from server.measurement.tally import Tally

FEWEST_EYES = 30
"""Below this an interval is wider than any difference worth teaching to (our choice)."""


@dataclass(frozen=True)
class Lesson:
    """One finding and what is wrong with it.

    Parameters
    ----------
    side : 'seeing' when it is missed, 'sparing' when it is imagined.
    share : right judgements on that side.
    confused : what it is most often taken for, or imagined in, and how often; None if unclear.
    """

    finding: str
    side: Literal["seeing", "sparing"]
    level: int
    share: Proportion
    confused: tuple[str, int] | None


def what_next(
    findings: Sequence[tuple[str, int, Tally]], confusions: Mapping[tuple[str, str], int]
) -> Lesson | None:
    """Return what falls short of its standard most surely, or None if nothing surely does.

    Surely: the upper end of the 95 % interval (Wilson) lies below the standard.
    Of several, the one that lies furthest below.

    Parameters
    ----------
    findings : finding, its standard in per cent, and the cohort's judgements of it.
    confusions : (truth, call) -> times.
    """
    worst: Lesson | None = None
    most = 0.0
    for finding, level, tally in findings:
        for side, share in (("seeing", tally.sensitivity), ("sparing", tally.specificity)):
            if share.answers < FEWEST_EYES:
                continue
            short = level / 100 - share.interval.high
            if short > most:
                most = short
                worst = Lesson(
                    finding=finding,
                    side="seeing" if side == "seeing" else "sparing",
                    level=level,
                    share=share,
                    confused=_confused(finding, side, confusions),
                )
    return worst


def _confused(
    finding: str, side: str, confusions: Mapping[tuple[str, str], int]
) -> tuple[str, int] | None:
    found = [
        (call if side == "seeing" else truth, times)
        for (truth, call), times in confusions.items()
        if (truth if side == "seeing" else call) == finding and truth != call
    ]
    return max(found, key=lambda pair: (pair[1], pair[0]), default=None)
