"""A cohort's answers and progress: who may take them along, and their rows one page at a time.

Answers go out under pseudonyms alone, and only those given since their learner
joined: that is what joining agreed to. Figures may carry the names that the
cohort's page shows beside them anyway.

A stream holds no transaction open while somebody's line is slow: each page of
rows is a short one of its own. Answers are only ever added, so pages fit together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.measurement.ladder import readiness_at
from server.measurement.readiness import Readiness
from server.rendering.eye import FINDINGS
from server.services.cohorts.board import SOURCE
from server.services.cohorts.cohort import Cohort, as_cohort, led
from server.services.exports.columns import ANSWERS, NAMED_PROGRESS, PROGRESS, Column
from server.services.exports.pseudonyms import key_of, pseudonym
from server.services.reading import load_safety
from server.storage import audit, cohort_exports
from server.storage import cohorts as rows
from server.storage.cohort_exports import AnswerLine, PracticeSums
from server.storage.models import FindingTallyRow
from server.storage.photographs import NO_RENDERER

FORMAT = 1
"""Raised when a table's columns change their meaning; columns may be added at any time."""

PAGE_ANSWERS = 2000
PAGE_LEARNERS = 50

STATES = {
    Readiness.READY: "ready",
    Readiness.NOT_YET: "not-yet",
    Readiness.NOT_ENOUGH: "too-few",
}


class What(StrEnum):
    """What of a cohort is taken along."""

    ANSWERS = "answers"
    PROGRESS = "progress"
    NAMED_PROGRESS = "progress-with-names"
    STATEMENTS = "statements"
    """The answers as xAPI statements."""


Reading = Callable[[], AbstractContextManager[Session]]
"""Opens a transaction that reads."""


@dataclass(frozen=True)
class Member:
    """A learner of the cohort, and what they are called in the export."""

    learner_id: UUID
    pseudonym: str
    joined_at: datetime
    name: str
    sign_in_name: str
    group: str


@dataclass(frozen=True)
class Export:
    """An export that was granted: whose, of what, and when."""

    cohort: Cohort
    what: What
    members: tuple[Member, ...]
    made_at: datetime

    @property
    def columns(self) -> Sequence[Column]:
        """Return the columns of its table."""
        if self.what is What.PROGRESS:
            return PROGRESS
        return NAMED_PROGRESS if self.what is What.NAMED_PROGRESS else ANSWERS

    @property
    def head(self) -> dict[str, Any]:
        """Return what stands above the rows where a format has room for it."""
        return {
            "format": FORMAT,
            "made_at": self.made_at.isoformat(),
            "cohort": self.cohort.name,
            "invented": self.cohort.invented,
            "table": self.what.value,
            "for_education_only": load_safety().export,
        }

    @property
    def file_name(self) -> str:
        """Return a name for its file, without an ending."""
        invented = "invented-" if self.cohort.invented else ""
        return f"{invented}cohort-{self.what.value}-{self.made_at:%Y-%m-%d}"


def grant(session: Session, asker_id: UUID, cohort_id: UUID, what: What, now: datetime) -> Export:
    """Let somebody who leads a cohort take its data along; the audit trail keeps that they did.

    Raises
    ------
    NotFound : there is no such cohort, or it is none of theirs.
    """
    return _granted(session, led(session, asker_id, cohort_id), what, now, asker_id)


def grant_by_command(session: Session, name: str, what: What, now: datetime) -> Export:
    """Let the server's command line take a cohort's data along, by the cohort's name or id.

    Raises
    ------
    BadInput : no cohort, or more than one, is called so; the message lists what there is.
    """
    every = [line.cohort for line in rows.led(session, None)]
    found = [one for one in every if str(one.id) == name.lower()] or [
        one for one in every if one.name == name
    ]
    if len(found) == 1:
        return _granted(session, as_cohort(found[0]), what, now, None)
    listed = "".join(f"\n  {one.id}  {one.name}" for one in found or every) or " none yet."
    if found:
        raise BadInput(f"{len(found)} cohorts are called {name!r}: give the id of one.{listed}")
    raise BadInput(f"There is no cohort {name!r}. There are:{listed}")


def _granted(
    session: Session, cohort: Cohort, what: What, now: datetime, asker_id: UUID | None
) -> Export:
    key = key_of(session, cohort.id)
    members = [
        Member(
            one.learner_id,
            pseudonym(key, one.learner_id),
            one.joined_at,
            one.name,
            one.sign_in_name or "",
            one.group_name,
        )
        for one in rows.members(session, cohort.id)
    ]
    if what is not What.NAMED_PROGRESS:
        # In the order of names a pseudonym would be easily guessed.
        members.sort(key=lambda one: one.pseudonym)
    audit.add(
        session,
        f"export-{what.value}",
        now,
        actor_id=asker_id,
        subject_id=None,
        by_command=asker_id is None,
        cohort_id=cohort.id,
    )
    return Export(cohort, what, tuple(members), now)


def answers(export: Export, reading: Reading) -> Iterator[tuple[Member, AnswerLine]]:
    """Yield the cohort's answers, learner by learner, in the order they were given."""
    for member in export.members:
        after = 0
        while True:
            with reading() as session:
                page = cohort_exports.answers_of(
                    session,
                    member.learner_id,
                    since=member.joined_at,
                    after_ordinal=after,
                    limit=PAGE_ANSWERS,
                )
            yield from ((member, line) for line in page)
            if len(page) < PAGE_ANSWERS:
                break
            after = page[-1].ordinal


def table(export: Export, reading: Reading) -> Iterator[tuple[object, ...]]:
    """Yield the rows of the export's table, a value for each of its columns."""
    invented = export.cohort.invented
    if export.what is What.ANSWERS:
        return ((invented, *_answer(member, line)) for member, line in answers(export, reading))
    return ((invented, *row) for row in _progress(export, reading))


def _answer(member: Member, line: AnswerLine) -> tuple[object, ...]:
    return (
        member.pseudonym,
        line.ordinal,
        line.answered_at,
        line.local_day,
        line.card_id,
        line.card_kind,
        line.about,
        line.eye_id,
        line.eye_source,
        line.side,
        None if line.severity is None else round(line.severity, 4),
        None if line.renderer_version == NO_RENDERER else line.renderer_version,
        line.view,
        line.stage,
        line.certainty,
        line.response_ms,
        line.hidden_ms,
        line.untimed,
        line.outcome,
        line.point_right,
        line.quality,
        line.counted,
        line.before["interval_days"] if line.before else None,
        line.after["interval_days"],
        *(line.marks.get(finding) for finding in FINDINGS),
    )


def _progress(export: Export, reading: Reading) -> Iterator[tuple[object, ...]]:
    named = export.what is What.NAMED_PROGRESS
    for start in range(0, len(export.members), PAGE_LEARNERS):
        some = export.members[start : start + PAGE_LEARNERS]
        ids = [one.learner_id for one in some]
        with reading() as session:
            practised = {one.learner_id: one for one in cohort_exports.practice_of(session, ids)}
            tallies = {
                (one.learner_id, one.finding): one
                for one in cohort_exports.tallies_of(session, ids, SOURCE)
            }
            session.expunge_all()
        for one in some:
            sums = practised.get(one.learner_id)
            if sums is None:
                continue  # deleted their account a moment ago
            who = (one.name, one.sign_in_name, one.group) if named else (one.pseudonym,)
            per_finding = (
                cell
                for finding in FINDINGS
                for cell in _finding(
                    tallies.get((one.learner_id, finding)), export.cohort.standards[finding]
                )
            )
            yield (*who, *_practice(sums), *per_finding)


def _practice(sums: PracticeSums) -> tuple[object, ...]:
    return (
        sums.rotation_on,
        sums.answers,
        sums.days,
        round(sums.visible_ms / 60_000),
        sums.last_on,
    )


def _finding(row: FindingTallyRow | None, level: int) -> tuple[object, ...]:
    if row is None:
        return (0, 0, 0, 0, level, STATES[Readiness.NOT_ENOUGH])
    return (
        row.hits,
        row.misses,
        row.false_alarms,
        row.correct_rejections,
        level,
        STATES[readiness_at(row.readiness, level)],
    )
