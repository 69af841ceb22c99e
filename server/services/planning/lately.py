"""How able a learner is at each finding just now, and which one is weakest.

Counts over all answers forget nothing: whoever has learnt a finding still carries
the misses of the first weeks. So, beside them, an ability that follows: after each
judgement theta += K (y - P), with P = 1 / (1 + e^-theta) and K = 1 / (1 + 0.05 n) for
the n-th judgement (`scheduling.ability`; Pelanek 2016), from theta = 0, an even chance.
Eyes with the finding and eyes without it are followed apart, so that leaning to one
answer gains nothing; a finding is as weak as the mean of the two chances is low.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from server.rendering.eye import FINDINGS
from server.scheduling.ability import Standing, after_answer, chance_of_success

LATEST_SHEETS = 150
"""Sheets that are followed: about three weeks of practice at the usual goal."""

FEWEST = 5
"""Judgements of either kind below which nothing is said of a finding (our choice)."""

GOOD_ENOUGH = 0.9
"""A finding judged right so often is no weakness."""

AVERAGE = Standing()


@dataclass(frozen=True)
class Lately:
    """How one finding goes just now.

    Parameters
    ----------
    sees : chance that the next eye with it is called so.
    spares : chance that the next eye without it is left alone.
    with_it, without : judgements that the two rest on.
    """

    finding: str
    sees: float
    spares: float
    with_it: int
    without: int

    @property
    def chance(self) -> float:
        """Chance of a right judgement when half of the eyes have it."""
        return (self.sees + self.spares) / 2

    @property
    def is_known(self) -> bool:
        """True when there are judgements enough of either kind."""
        return min(self.with_it, self.without) >= FEWEST


def lately(finding: str, sheets: Iterable[Mapping[str, str]]) -> Lately:
    """Follow a learner's ability at one finding.

    Parameters
    ----------
    sheets : the marks of each sheet by finding, oldest first.
    """
    seeing = sparing = AVERAGE
    for marks in sheets:
        mark = marks.get(finding)
        if mark in ("hit", "miss"):
            seeing, _ = after_answer(seeing, AVERAGE, mark == "hit")
        elif mark is not None:
            sparing, _ = after_answer(sparing, AVERAGE, mark == "correct-rejection")
    return Lately(
        finding,
        sees=chance_of_success(seeing.value, AVERAGE.value),
        spares=chance_of_success(sparing.value, AVERAGE.value),
        with_it=seeing.answers,
        without=sparing.answers,
    )


def weakest(sheets: Sequence[Mapping[str, str]]) -> Lately | None:
    """Return the finding that goes worst just now; None when none stands out or is known."""
    known = [one for one in (lately(name, sheets) for name in FINDINGS) if one.is_known]
    worst = min(known, key=lambda one: one.chance, default=None)
    return worst if worst is not None and worst.chance < GOOD_ENOUGH else None
