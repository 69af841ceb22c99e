"""What a closed checkpoint says: scores, findings, eyes, and how well it measures. Reads only.

An eye is right when every judgement about it is; one without an answer is not
right. Everything is worked out from the stored verdicts whenever it is looked
at, so taking an eye out of the marking marks everybody again.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

import numpy as np
from sqlalchemy.orm import Session

from server.measurement.proportions import Interval, Proportion
from server.measurement.reliability import (
    Item,
    Reliability,
    alpha_interval,
    lengthened,
    reliability,
)
from server.measurement.tally import Tally
from server.rendering.eye import FINDINGS
from server.rendering.truth import Truth
from server.services.cohorts.cohort import Cohort
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.models import EyeRow

HARD_BELOW = 0.3
"""Share right below which an eye is worth a look; common practice, no source."""

FEWEST_FOR_FLAGS = 10
"""With fewer people an eye's correlation says next to nothing (our own choice)."""


class Flag(StrEnum):
    """Why an eye should be looked at before results are released."""

    AGAINST = "against"
    """Those who did well in the rest were wrong about it more often than those who did not."""
    HARD = "hard"
    ALL_RIGHT = "all-right"
    """It tells nobody from anybody; no fault, but no measure either."""


@dataclass(frozen=True)
class Person:
    """Somebody who sat it; ``finished`` when they met every eye, looked in again or not."""

    learner_id: UUID
    name: str
    score: Proportion
    finished: bool
    rating: int | None


@dataclass(frozen=True)
class FindingFigures:
    """One finding over everybody and every eye that counts."""

    finding: str
    tally: Tally
    level: int
    """The cohort's standard, per cent."""


@dataclass(frozen=True)
class ItemFigures:
    """One eye of the checkpoint.

    Parameters
    ----------
    present : what is there, in examination order.
    right : learners who were wholly right, of all who sat.
    figures : None for an eye that does not count, or where too few sat.
    slips : what went wrong how often: ('miss' or 'false-alarm', finding), most often first.
    """

    number: int
    title: str
    side: str
    picture: str
    twin: str
    size_px: int
    present: tuple[str, ...]
    right: Proportion
    figures: Item | None
    slips: tuple[tuple[str, str, int], ...]
    flags: tuple[Flag, ...]
    dropped: bool


@dataclass(frozen=True)
class Results:
    """A closed checkpoint.

    Parameters
    ----------
    people : by name.
    counted : eyes that count.
    all_right : everybody's answers together.
    spread : (eyes right, learners) for every number of eyes that somebody had, and all between.
    measured : None where fewer than two sat or fewer than two eyes count.
    alpha_between : its 95 % interval; None where there is no alpha.
    """

    people: tuple[Person, ...]
    counted: int
    all_right: Proportion
    spread: tuple[tuple[int, int], ...]
    findings: tuple[FindingFigures, ...]
    items: tuple[ItemFigures, ...]
    measured: Reliability | None
    alpha_between: Interval | None

    @property
    def flagged(self) -> tuple[ItemFigures, ...]:
        """Eyes that count and should be looked at."""
        return tuple(one for one in self.items if one.flags and not one.dropped)

    @property
    def mean(self) -> float | None:
        """Eyes right, on average."""
        scores = [one.score.successes for one in self.people]
        return float(np.mean(scores)) if scores else None

    @property
    def deviation(self) -> float | None:
        """Standard deviation of the eyes right, over n - 1."""
        scores = [one.score.successes for one in self.people]
        return float(np.std(scores, ddof=1)) if len(scores) > 1 else None

    def passed(self, percent: int) -> Proportion:
        """Return how many reach a share of the eyes."""
        return Proportion(sum(reaches(one.score, percent) for one in self.people), len(self.people))

    @property
    def by_chance(self) -> float | None:
        """How far a correlation of 0 strays with so many people: its standard error."""
        return 1 / math.sqrt(len(self.people) - 1) if len(self.people) > 1 else None

    def alpha_of_twice(self) -> float | None:
        """Return the alpha that twice as many such eyes would have (Spearman-Brown)."""
        alpha = None if self.measured is None else self.measured.alpha
        return None if alpha is None or alpha <= 0 else lengthened(alpha, 2)


def reaches(score: Proportion, percent: int) -> bool:
    """Whether a score reaches a share of the eyes, in whole numbers."""
    return 100 * score.successes >= percent * score.answers


def results(session: Session, cohort: Cohort, checkpoint_id: UUID) -> Results:
    """Return what a checkpoint says. Three queries, however many sat it."""
    full = rows.items(session, checkpoint_id)
    sat = sittings.of_checkpoint(session, checkpoint_id)
    read: dict[str, Mapping[str, str] | None] = {"": None}
    right_of: dict[str, bool] = {"": False}
    given: dict[UUID, dict[int, str]] = {}
    for sitting_id, number, text in sittings.all_marks(session, checkpoint_id):
        marks = text or ""
        if marks not in read:
            # An eye whose time ran out is stored as null.
            read[marks] = json.loads(marks)
            right_of[marks] = wholly_right(read[marks])
        given.setdefault(sitting_id, {})[number] = marks
    counted = [each.item.number for each in full if each.item.dropped_at is None]
    is_right = {
        line.sitting.id: {
            each.item.number: right_of[given.get(line.sitting.id, {}).get(each.item.number, "")]
            for each in full
        }
        for line in sat
    }
    matrix = [[int(right[number]) for number in counted] for right in is_right.values()]
    measured = None
    if len(sat) > 1 and len(counted) > 1:
        measured = reliability(matrix)
    figures = dict(zip(counted, measured.items, strict=True)) if measured else {}
    alpha = None if measured is None else measured.alpha
    people = tuple(
        Person(
            learner_id=line.sitting.learner_id,
            name=line.name or line.sign_in_name or "No name given",
            score=Proportion(
                sum(is_right[line.sitting.id][number] for number in counted), len(counted)
            ),
            finished=len(given.get(line.sitting.id, {})) == len(full),
            rating=line.sitting.rating,
        )
        for line in sat
    )
    verdicts = {
        each.item.number: _verdicts(
            Counter(own.get(each.item.number, "") for own in given.values()), read
        )
        for each in full
    }
    return Results(
        people=people,
        counted=len(counted),
        all_right=sum((each.score for each in people), Proportion(0, 0)),
        spread=_spread(people),
        findings=_findings(cohort, [verdicts[number] for number in counted]),
        items=tuple(
            _item(
                each,
                Proportion(
                    sum(right[each.item.number] for right in is_right.values()), len(is_right)
                ),
                figures.get(each.item.number),
                verdicts[each.item.number],
            )
            for each in full
            if each.eye is not None
        ),
        measured=measured,
        alpha_between=None if alpha is None else alpha_interval(alpha, len(sat), len(counted)),
    )


def wholly_right(marks: Mapping[str, str] | None) -> bool:
    """Whether every judgement about an eye was right; False without an answer."""
    if marks is None:
        return False
    return all(mark in ("hit", "correct-rejection") for mark in marks.values())


def _spread(people: Sequence[Person]) -> tuple[tuple[int, int], ...]:
    counts = Counter(each.score.successes for each in people)
    if not counts:
        return ()
    return tuple((right, counts[right]) for right in range(min(counts), max(counts) + 1))


def _verdicts(
    times: Mapping[str, int], read: Mapping[str, Mapping[str, str] | None]
) -> Counter[tuple[str, str]]:
    """Return how often each verdict was given on each finding of one eye: (verdict, finding)."""
    counts: Counter[tuple[str, str]] = Counter()
    for text, number in times.items():
        for finding, mark in (read[text] or {}).items():
            counts[mark, finding] += number
    return counts


def _findings(
    cohort: Cohort, verdicts: Sequence[Counter[tuple[str, str]]]
) -> tuple[FindingFigures, ...]:
    counts = sum(verdicts, Counter[tuple[str, str]]())
    return tuple(
        FindingFigures(
            finding,
            Tally(
                hits=counts["hit", finding],
                misses=counts["miss", finding],
                false_alarms=counts["false-alarm", finding],
                correct_rejections=counts["correct-rejection", finding],
            ),
            cohort.standards[finding],
        )
        for finding in FINDINGS
    )


def _item(
    full: rows.FullItem,
    right: Proportion,
    figures: Item | None,
    verdicts: Counter[tuple[str, str]],
) -> ItemFigures:
    eye: EyeRow | None = full.eye
    assert eye is not None
    return ItemFigures(
        number=full.item.number,
        title=full.version.content["card"]["title"],
        side=eye.side,
        picture=eye.picture,
        twin=eye.twin,
        size_px=eye.size_px,
        present=Truth.from_dict(eye.truth).present,
        right=right,
        figures=figures,
        slips=tuple(
            (mark, finding, times)
            for (mark, finding), times in sorted(
                verdicts.items(), key=lambda pair: (-pair[1], pair[0])
            )
            if mark in ("miss", "false-alarm")
        ),
        flags=_flags(right, figures),
        dropped=full.item.dropped_at is not None,
    )


def _flags(right: Proportion, figures: Item | None) -> tuple[Flag, ...]:
    if right.answers < FEWEST_FOR_FLAGS or figures is None:
        return ()
    found = []
    if figures.with_rest is not None and figures.with_rest < 0:
        found.append(Flag.AGAINST)
    if figures.easiness < HARD_BELOW:
        found.append(Flag.HARD)
    if figures.easiness == 1:
        found.append(Flag.ALL_RIGHT)
    return tuple(found)
