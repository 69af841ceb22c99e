"""Counting verdicts per finding, and what the four counts say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from server.errors import BadInput
from server.measurement.proportions import Proportion
from server.measurement.signal import Signal, signal


@dataclass(frozen=True, slots=True)
class Tally:
    """Judgements of one finding: what was there against what was said."""

    hits: int = 0
    misses: int = 0
    false_alarms: int = 0
    correct_rejections: int = 0

    def __post_init__(self) -> None:
        if min(self.hits, self.misses, self.false_alarms, self.correct_rejections) < 0:
            raise BadInput("counts of answers cannot be negative")

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.hits + other.hits,
            self.misses + other.misses,
            self.false_alarms + other.false_alarms,
            self.correct_rejections + other.correct_rejections,
        )

    @property
    def answers(self) -> int:
        """Return the number of judgements."""
        return self.hits + self.misses + self.false_alarms + self.correct_rejections

    @property
    def sensitivity(self) -> Proportion:
        """Return the share of eyes with the finding in which it was seen."""
        return Proportion(self.hits, self.hits + self.misses)

    @property
    def specificity(self) -> Proportion:
        """Return the share of eyes without the finding that were called so."""
        return Proportion(self.correct_rejections, self.correct_rejections + self.false_alarms)

    @property
    def accuracy(self) -> Proportion:
        """Return the share of right judgements, which depends on the case mix."""
        return Proportion(self.hits + self.correct_rejections, self.answers)

    @property
    def case_mix(self) -> Proportion:
        """Return the share of eyes that had the finding: state it beside every figure."""
        return Proportion(self.hits + self.misses, self.answers)

    @property
    def signal(self) -> Signal:
        """Return d' and the criterion, log-linear correction."""
        return signal(self.hits, self.misses, self.false_alarms, self.correct_rejections)

    @property
    def youden(self) -> float | None:
        """Return sensitivity + specificity - 1; None unless both kinds were met."""
        sensitivity, specificity = self.sensitivity.estimate, self.specificity.estimate
        if sensitivity is None or specificity is None:
            return None
        return sensitivity + specificity - 1


_FIELDS = {
    "hit": Tally(hits=1),
    "miss": Tally(misses=1),
    "false-alarm": Tally(false_alarms=1),
    "correct-rejection": Tally(correct_rejections=1),
}


def one(verdict: str) -> Tally:
    """Return the tally of a single verdict.

    Raises
    ------
    BadInput : the verdict is none of hit, miss, false-alarm, correct-rejection.
    """
    try:
        return _FIELDS[verdict]
    except KeyError:
        raise BadInput(f"verdict {verdict!r} is none of {', '.join(_FIELDS)}") from None


def tally(sheets: Iterable[Mapping[str, str]]) -> dict[str, Tally]:
    """Count marked sheets per finding.

    Parameters
    ----------
    sheets : for each answer, the verdict of each finding that was asked about.

    Returns
    -------
    finding -> Tally, only for findings that were asked about at least once.
    """
    counts: dict[str, Tally] = {}
    for sheet in sheets:
        for finding, verdict in sheet.items():
            counts[finding] = counts.get(finding, Tally()) + one(verdict)
    return counts


def predictive_value(sensitivity: float, specificity: float, prevalence: float) -> float:
    """Return how often 'present' is true at a given prevalence (Bayes)."""
    true = sensitivity * prevalence
    false = (1 - specificity) * (1 - prevalence)
    if true + false == 0:
        raise BadInput("a reader who never says 'present' has no predictive value")
    return true / (true + false)
