"""One learner of a cohort, as its leads see them: sums, never single answers. Reads only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.measurement.ladder import readiness_at
from server.measurement.readiness import Readiness
from server.measurement.tally import Tally
from server.rendering.eye import FINDINGS
from server.scheduling.days import local_day
from server.services.cohorts.board import (
    SOURCE,
    WINDOW_DAYS,
    FindingLine,
)
from server.services.cohorts.cohort import Cohort
from server.services.cohorts.confused import ConfusionLine, confusion_lines
from server.storage import learners, tallies
from server.storage.cohorts import MemberLine


@dataclass(frozen=True)
class LearnerStanding:
    """Where one learner stands.

    Parameters
    ----------
    findings : their judgements against the cohort's standards, in examination order.
    days : eyes answered on each day of the last two weeks, the first one first.
    minutes : practised in these two weeks.
    last_on : their latest day of practice.
    """

    findings: tuple[FindingLine, ...]
    readiness: tuple[Readiness, ...]
    confusions: tuple[ConfusionLine, ...]
    days: tuple[tuple[date, int], ...]
    minutes: int
    last_on: date | None
    rotation_on: date | None


def standing_of(
    session: Session, cohort: Cohort, member: MemberLine, now: datetime
) -> LearnerStanding:
    """Return where a member stands, by the days of their own calendar. Four queries."""
    row = learners.get(session, member.learner_id)
    if row is None:
        raise NotFound("This learner no longer exists.")
    today = local_day(now, row.timezone)
    counted = {one.finding: one for one in tallies.of_learner(session, row.id, SOURCE)}
    findings, readiness = [], []
    for name in FINDINGS:
        one, level = counted.get(name), cohort.standards[name]
        state = readiness_at(one.readiness, level) if one else Readiness.NOT_ENOUGH
        tally = (
            Tally(one.hits, one.misses, one.false_alarms, one.correct_rejections)
            if one
            else Tally()
        )
        ready, not_yet = state is Readiness.READY, state is Readiness.NOT_YET
        findings.append(FindingLine(name, level, tally, int(ready), int(not_yet), 1))
        readiness.append(state)
    practised = {one.day: one for one in tallies.days_of(session, row.id)}
    window = [today - timedelta(days=back) for back in reversed(range(WINDOW_DAYS))]
    return LearnerStanding(
        findings=tuple(findings),
        readiness=tuple(readiness),
        confusions=confusion_lines(
            {
                (truth, call): times
                for (source, truth, call), times in tallies.confusions_of(session, row.id).items()
                if source == SOURCE
            }
        ),
        days=tuple((day, practised[day].answers if day in practised else 0) for day in window),
        minutes=round(
            sum(practised[day].visible_ms for day in window if day in practised) / 60_000
        ),
        last_on=max(practised, default=None),
        rotation_on=row.rotation_on,
    )
