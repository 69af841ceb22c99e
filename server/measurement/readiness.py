"""Ready, not yet, or not enough answers yet: a sequential test per finding."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from server.errors import BadInput


class Readiness(StrEnum):
    """What the answers so far allow to be said."""

    READY = "ready"
    NOT_YET = "not-yet"
    NOT_ENOUGH = "not-enough-answers"


@dataclass(frozen=True, slots=True)
class SequentialTest:
    """A. Wald's sequential probability ratio test of a share of right answers.

    Two shares are told apart: below ``poor`` a learner should not pass, from
    ``good`` on they should; between lies the standard of 80 %. After each
    answer the log likelihood ratio moves, ln(good / poor) up if right and
    ln((1 - poor) / (1 - good)) down if wrong, until it leaves the two bounds (*Ann Math
    Stat* 16 (1945) 117-186). Looking after every answer is what the test is
    made for; a fixed-size test looked at so often would err far more.
    """

    poor: float = 0.70
    good: float = 0.85
    wrongly_ready: float = 0.05
    wrongly_not: float = 0.05

    def __post_init__(self) -> None:
        if not 0.0 < self.poor < self.good < 1.0:
            raise BadInput("the test needs 0 < poor < good < 1")
        if not (0.0 < self.wrongly_ready < 0.5 and 0.0 < self.wrongly_not < 0.5):
            raise BadInput("both error rates must lie between 0 and 0.5")

    @property
    def right(self) -> float:
        """Return the weight of a right answer."""
        return math.log(self.good / self.poor)

    @property
    def wrong(self) -> float:
        """Return the weight of a wrong answer, a negative number."""
        return math.log((1 - self.good) / (1 - self.poor))

    @property
    def upper(self) -> float:
        """Return the bound at which the learner is ready."""
        return math.log((1 - self.wrongly_not) / self.wrongly_ready)

    @property
    def lower(self) -> float:
        """Return the bound at which the learner is not yet ready."""
        return math.log(self.wrongly_not / (1 - self.wrongly_ready))

    def first_decision(self, answers: Iterable[bool]) -> tuple[Readiness, int]:
        """Return the first decision and the number of answers it took (or all)."""
        ratio, count = 0.0, 0
        for right in answers:
            count += 1
            ratio += self.right if right else self.wrong
            if ratio >= self.upper:
                return Readiness.READY, count
            if ratio <= self.lower:
                return Readiness.NOT_YET, count
        return Readiness.NOT_ENOUGH, count

    def standing(self, answers: Iterable[bool]) -> Standing:
        """Return the latest decision; after each the test starts anew.

        Learners change: one found not ready goes on to learn, one found ready
        can forget. So each decision rests on the answers since the one before,
        and each carries the error rates of the test by itself.
        """
        standing = Standing(Readiness.NOT_ENOUGH, 0, 0, 0.0)
        for right in answers:
            standing = self.after(standing, right)
        return standing

    def after(self, standing: Standing, right: bool) -> Standing:
        """Return where the test stands after one more answer."""
        ratio = standing.ratio + (self.right if right else self.wrong)
        if ratio >= self.upper or ratio <= self.lower:
            decision = Readiness.READY if ratio > 0 else Readiness.NOT_YET
            return Standing(decision, standing.answers + 1, 0, 0.0)
        return Standing(standing.readiness, standing.answers + 1, standing.since + 1, ratio)

    def fewest_to_ready(self, standing: Standing) -> int:
        """Return how many further answers, all right, would make the learner ready; 0 if ready."""
        if standing.readiness == Readiness.READY:
            return 0
        return math.ceil((self.upper - standing.ratio) / self.right)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a sequential test stands.

    Parameters
    ----------
    readiness : the latest decision.
    answers : all that were counted.
    since : answers since that decision.
    ratio : the log likelihood ratio since then.
    """

    readiness: Readiness
    answers: int
    since: int
    ratio: float


STANDARD = SequentialTest()
"""The standard of this program: 80 %, midway, with errors of 5 % on either side."""


@dataclass(frozen=True, slots=True)
class FindingReadiness:
    """Readiness at one finding: seeing it, and not imagining it.

    Parameters
    ----------
    readiness : ready only if both are; not yet if either is not.
    seeing : the test of sensitivity, on eyes with the finding.
    sparing : the test of specificity, on eyes without.
    """

    readiness: Readiness
    seeing: Standing
    sparing: Standing


def finding_readiness(verdicts: Iterable[str], test: SequentialTest = STANDARD) -> FindingReadiness:
    """Return a learner's readiness at one finding.

    Parameters
    ----------
    verdicts : on eyes not seen before, oldest first: hit, miss, false-alarm or
        correct-rejection.

    Raises
    ------
    BadInput : a verdict is none of these.
    """
    with_finding, without = [], []
    for verdict in verdicts:
        if verdict in ("hit", "miss"):
            with_finding.append(verdict == "hit")
        elif verdict in ("correct-rejection", "false-alarm"):
            without.append(verdict == "correct-rejection")
        else:
            raise BadInput(f"verdict {verdict!r} is not one of the four")
    seeing, sparing = test.standing(with_finding), test.standing(without)
    return FindingReadiness(combined(seeing.readiness, sparing.readiness), seeing, sparing)


def combined(seeing: Readiness, sparing: Readiness) -> Readiness:
    """Return readiness at a finding: ready only if both are, not yet if either is not."""
    for worst in (Readiness.NOT_YET, Readiness.NOT_ENOUGH):
        if worst in (seeing, sparing):
            return worst
    return Readiness.READY


def steady_since(
    answers: Iterable[bool],
    acceptable: float = 0.10,
    unacceptable: float = 0.25,
    bound: float = 2.0,
) -> list[int]:
    """Return the answers at which the learning-curve cumulative sum signals proficiency.

    S = max(0, S + w), with w = ln((1 - acceptable) / (1 - unacceptable)) for a
    right answer and ln(acceptable / unacceptable) for a wrong one; a signal is
    given, and S starts anew, when S reaches the bound (D. J. Biau & R. Porcher,
    *Stat Med* 29 (2010) 1900-1909, volume from memory). A bound of 2 is lax:
    someone who fails one in four passes within 50 answers nearly every second
    time. Readiness is therefore judged by `SequentialTest`; this is for
    watching someone already judged ready.

    Returns
    -------
    the ordinal numbers, from 1, of the answers at which it signals.
    """
    if not 0.0 < acceptable < unacceptable < 1.0 or bound <= 0:
        raise BadInput("the sum needs 0 < acceptable < unacceptable < 1 and a positive bound")
    up = math.log((1 - acceptable) / (1 - unacceptable))
    down = math.log(acceptable / unacceptable)
    total, signals = 0.0, []
    for number, right in enumerate(answers, start=1):
        total = max(0.0, total + (up if right else down))
        if total >= bound:
            signals.append(number)
            total = 0.0
    return signals
