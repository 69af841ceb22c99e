"""What is taken for what, by a cohort or by one of its learners."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from server.measurement.confusion import NORMAL
from server.measurement.proportions import Proportion
from server.rendering.eye import FINDINGS

MOST_CONFUSIONS = 6


@dataclass(frozen=True)
class ConfusionLine:
    """What was taken for what: so many times, of so many eyes of the kind."""

    truth: str
    call: str
    share: Proportion


def confusion_lines(counts: Mapping[tuple[str, str], int]) -> tuple[ConfusionLine, ...]:
    """Return what is taken for what, most often first; what was judged rightly is left out.

    Parameters
    ----------
    counts : (truth, call) -> times, as `measurement.confusion` counts.
    """
    shown: dict[str, int] = {}
    for (truth, _), times in counts.items():
        shown[truth] = shown.get(truth, 0) + times
    wrong = [
        ConfusionLine(truth, call, Proportion(times, shown[truth]))
        for (truth, call), times in counts.items()
        if truth != call and times > 1 and (call != NORMAL or truth in FINDINGS)
    ]
    wrong.sort(key=lambda one: (-one.share.successes, one.truth, one.call))
    return tuple(wrong[:MOST_CONFUSIONS])
