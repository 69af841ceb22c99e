"""A cohort at a glance: who practises, who is ready, what is confused. Reads only.

Every figure comes from sums that are kept with every answer (`storage.tallies`),
so a page costs the same after a million answers; ``recompute`` proves that the
sums follow from the answers.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.measurement.ladder import readiness_at
from server.measurement.readiness import Readiness
from server.measurement.tally import Tally
from server.rendering.eye import FINDINGS
from server.scheduling.days import local_day
from server.services.cohorts.cohort import Cohort
from server.services.cohorts.confused import ConfusionLine, confusion_lines
from server.services.cohorts.spread import GroupCount, Spread, counted_by, groups_of
from server.services.cohorts.teaching import Lesson, what_next
from server.storage import cohort_figures as rows
from server.storage import cohort_spreads as spreads
from server.storage.cohort_figures import LearnerFigures, Quiet

SOURCE = "rendered"
PAGE = 50
WINDOW_DAYS = 14
QUIET_DAYS = 7
"""Days without practice after which somebody has gone quiet (our choice)."""

QUIET_ONLY = "quiet"
"""Asks for those alone who have not practised for so long, new ones among them."""

MOST_QUIET = 200

SORTS = {
    "name": "Name",
    "last": "Longest away",
    "days": "Fewest days",
    "ready": "Least ready",
    "rotation": "Rotation",
}


@dataclass(frozen=True)
class Asked:
    """What part of a cohort is asked for.

    Parameters
    ----------
    sort : one of `SORTS`.
    group : only learners of this group; None for all, '' for those without one.
    name : letters of a name to look for.
    only : one of `QUIET_ONLY`, a finding for those not ready for it, or empty for everybody.
    after : where the page begins, as `Board.following` gave it; empty for the first.
    """

    sort: str = "name"
    group: str | None = None
    name: str = ""
    after: str = ""
    only: str = ""


@dataclass(frozen=True)
class LearnerLine:
    """One learner's row: readiness in examination order, and the last two weeks."""

    figures: LearnerFigures
    readiness: tuple[Readiness, ...]

    @property
    def minutes(self) -> int:
        """Return the minutes practised in the window."""
        return round(self.figures.visible_ms / 60_000)

    @property
    def ready(self) -> int:
        """Return the number of findings they are ready for."""
        return self.readiness.count(Readiness.READY)


@dataclass(frozen=True)
class FindingLine:
    """One finding over the cohort.

    Parameters
    ----------
    ready, not_yet : learners; everybody else has not answered enough.
    """

    finding: str
    level: int
    tally: Tally
    ready: int
    not_yet: int
    learners: int

    @property
    def not_enough(self) -> int:
        """Return the learners of whom it cannot be said yet."""
        return self.learners - self.ready - self.not_yet


@dataclass(frozen=True)
class Board:
    """Everything the cohort's page shows."""

    learners: tuple[LearnerLine, ...]
    following: str
    """Where the next page begins; empty on the last."""
    findings: tuple[FindingLine, ...]
    confusions: tuple[ConfusionLine, ...]
    lesson: Lesson | None
    practised: Spread
    """Days of practice in the last two weeks."""
    ready: Spread
    """Findings that they are ready for."""
    quiet: tuple[Quiet, ...]
    groups: tuple[GroupCount, ...]
    size: int
    """Learners in the cohort."""
    counted: int
    """Learners whom the figures are about: of the group asked for."""
    open_places: int
    today: date


def board(session: Session, cohort: Cohort, asked: Asked, now: datetime, timezone: str) -> Board:
    """Return a cohort's page in seven queries, however many answers there are.

    Parameters
    ----------
    timezone : of whoever looks; the window ends on their day.

    Raises
    ------
    BadInput : the sort, the choice or the place in the list cannot be.
    """
    if asked.sort not in SORTS:
        raise BadInput(f"Sort by one of {', '.join(SORTS)}, not by {asked.sort!r}.")
    if asked.only not in ("", QUIET_ONLY, *FINDINGS):
        raise BadInput(f"There is no list of learners {asked.only!r}: choose one from the page.")
    today = local_day(now, timezone)
    first_day = today - timedelta(days=WINDOW_DAYS - 1)
    found = rows.learners(
        session,
        cohort.id,
        standards=cohort.standards,
        source=SOURCE,
        first_day=first_day,
        sort=asked.sort,
        after=_place(asked),
        limit=PAGE + 1,
        group=asked.group,
        beginning=asked.name.strip().casefold(),
        quiet_before=_quiet_before(today) if asked.only == QUIET_ONLY else None,
        not_ready_for=asked.only if asked.only in FINDINGS else "",
    )
    spread = spreads.spreads(
        session, cohort.id, first_day=first_day, standards=cohort.standards, source=SOURCE
    )
    groups = groups_of(spread)
    of_group = [one for one in spread if asked.group in (None, one.group_name)]
    counted = sum(one.learners for one in of_group)
    findings = _findings(session, cohort, asked.group, counted)
    counts = rows.confusions(session, cohort.id, source=SOURCE, group=asked.group)
    return Board(
        learners=_lines(session, cohort, found[:PAGE]),
        following=_mark(found[PAGE - 1]) if len(found) > PAGE else "",
        findings=findings,
        confusions=confusion_lines(counts),
        lesson=what_next([(one.finding, one.level, one.tally) for one in findings], counts),
        practised=counted_by((one.days, one.learners) for one in of_group),
        ready=counted_by((one.ready, one.learners) for one in of_group),
        quiet=tuple(quiet_ones(session, cohort.id, now, today, asked.group)),
        groups=groups,
        size=sum(one.learners for one in groups),
        counted=counted,
        open_places=rows.open_place_count(session, cohort.id),
        today=today,
    )


def quiet_ones(
    session: Session, cohort_id: UUID, now: datetime, today: date, group: str | None = None
) -> Sequence[Quiet]:
    """Return who has not practised for a week and had joined by then, longest away first."""
    return rows.quiet(
        session,
        cohort_id,
        before=_quiet_before(today),
        joined_before=now - timedelta(days=QUIET_DAYS),
        group=group,
        limit=MOST_QUIET,
    )


def _quiet_before(today: date) -> date:
    return today - timedelta(days=QUIET_DAYS - 1)


def _lines(
    session: Session, cohort: Cohort, found: Sequence[LearnerFigures]
) -> tuple[LearnerLine, ...]:
    letters = {
        (one.learner_id, one.finding): one.letters
        for one in rows.letters(session, [each.learner_id for each in found], SOURCE)
    }
    return tuple(
        LearnerLine(
            each,
            tuple(
                readiness_at(letters[each.learner_id, finding], cohort.standards[finding])
                if (each.learner_id, finding) in letters
                else Readiness.NOT_ENOUGH
                for finding in FINDINGS
            ),
        )
        for each in found
    )


def _findings(
    session: Session, cohort: Cohort, group: str | None, counted: int
) -> tuple[FindingLine, ...]:
    sums = rows.sums(session, cohort.id, standards=cohort.standards, source=SOURCE, group=group)
    lines = []
    for finding in FINDINGS:
        one = sums.get(finding)
        tally = (
            Tally(one.hits, one.misses, one.false_alarms, one.correct_rejections)
            if one
            else Tally()
        )
        lines.append(
            FindingLine(
                finding=finding,
                level=cohort.standards[finding],
                tally=tally,
                ready=one.ready if one else 0,
                not_yet=one.not_yet if one else 0,
                learners=counted,
            )
        )
    return tuple(lines)


def _mark(last: LearnerFigures) -> str:
    key = last.key.isoformat() if isinstance(last.key, date) else last.key
    return json.dumps([key, str(last.learner_id)], separators=(",", ":"))


def _place(asked: Asked) -> tuple[Any, UUID] | None:
    if not asked.after:
        return None
    try:
        key, learner_id = json.loads(asked.after)
        if asked.sort in ("last", "rotation"):
            key = date.fromisoformat(key)
        elif not isinstance(key, str if asked.sort == "name" else int):
            raise ValueError("not a key of this order")
        return key, UUID(learner_id)
    except (ValueError, TypeError) as problem:
        raise BadInput(
            "This place in the list cannot be read: begin at its first page."
        ) from problem
