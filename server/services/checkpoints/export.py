"""What a checkpoint that is over says, as tables without anybody's name: who may take it along.

A learner goes under the pseudonym that they have in all files of their cohort, so
that practice and tests can be set side by side. The answers of many are read a
few sittings at a time, each in a short transaction of its own; nothing is added
to them any more.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict, NotFound
from server.rendering.eye import FINDINGS
from server.services.checkpoints.checkpoint import Checkpoint
from server.services.checkpoints.export_columns import COLUMNS, dictionary
from server.services.checkpoints.results import Results, reaches, results, wholly_right
from server.services.cohorts.cohort import Cohort
from server.services.exports.cohort_data import FORMAT, Reading
from server.services.exports.columns import DICTIONARY, Column
from server.services.exports.pseudonyms import key_of, pseudonym
from server.services.reading import load_safety
from server.storage import audit, sittings
from server.storage import checkpoints as rows
from server.storage.models import CheckpointLookRow, CheckpointSittingRow

THE_DICTIONARY = "dictionary"
STATEMENTS = "statements"
"""The answers and scores as xAPI statements; no table."""

KINDS = (*COLUMNS, STATEMENTS, THE_DICTIONARY)

PAGE_SITTINGS = 20
"""Sittings whose answers are read at once: of the longest checkpoint, 2400 answers."""


@dataclass(frozen=True)
class CheckpointExport:
    """An export that was granted: of which checkpoint, what, and when.

    Parameters
    ----------
    key : of the cohort's pseudonyms.
    """

    cohort: Cohort
    checkpoint: Checkpoint
    what: str
    key: bytes
    made_at: datetime

    @property
    def columns(self) -> Sequence[Column]:
        """Return the columns of its table."""
        return DICTIONARY if self.what == THE_DICTIONARY else COLUMNS[self.what]

    @property
    def head(self) -> dict[str, Any]:
        """Return what stands above the rows where a format has room for it."""
        return {
            "format": FORMAT,
            "made_at": self.made_at.isoformat(),
            "cohort": self.cohort.name,
            "invented": self.cohort.invented,
            "checkpoint": self.checkpoint.name,
            "opened_at": self.checkpoint.opens_at.isoformat(),
            "closed_at": self.checkpoint.closes_at.isoformat(),
            "seconds_for_each_eye": self.checkpoint.eye_seconds,
            "pass_percent": self.checkpoint.pass_percent,
            "table": self.what,
            "for_education_only": load_safety().export,
        }

    @property
    def file_name(self) -> str:
        """Return a name for its file, without an ending."""
        invented = "invented-" if self.cohort.invented else ""
        return f"{invented}checkpoint-{self.what}-{self.checkpoint.opens_at:%Y-%m-%d}"

    def called(self, learner_id: UUID) -> str:
        """Return the pseudonym of a learner."""
        return pseudonym(self.key, learner_id)


def grant(
    session: Session,
    asker_id: UUID,
    cohort: Cohort,
    checkpoint: Checkpoint,
    what: str,
    now: datetime,
) -> CheckpointExport:
    """Let a lead take a table or the statements along.

    The audit trail keeps it, but for the dictionary, which tells of nobody.

    Raises
    ------
    NotFound : there is nothing called so.
    Conflict : the checkpoint is not over.
    """
    if what not in KINDS:
        raise NotFound(f"There is no table {what!r}: ask for {', '.join(KINDS)}.")
    if not checkpoint.is_over:
        raise Conflict("This checkpoint is not over: its tables come afterwards.")
    if what != THE_DICTIONARY:
        audit.add(
            session,
            "export-checkpoint",
            now,
            actor_id=asker_id,
            subject_id=None,
            cohort_id=cohort.id,
        )
    return CheckpointExport(cohort, checkpoint, what, key_of(session, cohort.id), now)


def table(export: CheckpointExport, reading: Reading) -> Iterator[tuple[object, ...]]:
    """Yield the rows of a granted table, a value for each of its columns."""
    if export.what == THE_DICTIONARY:
        yield from dictionary()
        return
    invented = export.cohort.invented
    if export.what == "answers":
        for sitting, looks in sat(export, reading):
            called = export.called(sitting.learner_id)
            yield from ((invented, called, *_answer(look, number)) for look, number in looks)
        return
    with reading() as session:
        found = results(session, export.cohort, export.checkpoint.id)
        lines = (
            list(_people(export, found))
            if export.what == "people"
            else list(_eyes(session, export.checkpoint, found))
        )
    yield from ((invented, *line) for line in lines)


def sat(
    export: CheckpointExport, reading: Reading
) -> Iterator[tuple[CheckpointSittingRow, Sequence[sittings.Numbered]]]:
    """Yield everybody's sitting and what they were shown in it, in the order of pseudonyms."""
    with reading() as session:
        every = [line.sitting for line in sittings.of_checkpoint(session, export.checkpoint.id)]
        session.expunge_all()
    # In the order of names a pseudonym would be easily guessed.
    every.sort(key=lambda one: export.called(one.learner_id))
    for start in range(0, len(every), PAGE_SITTINGS):
        some = every[start : start + PAGE_SITTINGS]
        with reading() as session:
            shown = sittings.looks_of_all(session, [one.id for one in some])
            session.expunge_all()
        yield from ((one, shown.get(one.id, [])) for one in some)


def seconds_taken(look: CheckpointLookRow) -> float | None:
    """Return how long somebody had an eye in sight before they answered; None if unknown."""
    if look.response_ms is None:
        return None
    return (look.response_ms - (look.hidden_ms or 0)) / 1000


def _people(export: CheckpointExport, found: Results) -> Iterator[tuple[object, ...]]:
    percent = export.checkpoint.pass_percent
    for one in sorted(found.people, key=lambda each: export.called(each.learner_id)):
        interval = one.score.interval
        yield (
            export.called(one.learner_id),
            one.score.successes,
            one.score.answers,
            _figure(one.score.estimate),
            _figure(interval.low),
            _figure(interval.high),
            None if percent is None else reaches(one.score, percent),
            one.finished,
            one.rating,
        )


def _eyes(session: Session, checkpoint: Checkpoint, found: Results) -> Iterator[tuple[object, ...]]:
    full = {each.item.number: each for each in rows.items(session, checkpoint.id)}
    for one in found.items:
        eye = full[one.number].eye
        assert eye is not None
        yield (
            one.number,
            one.title,
            " ".join(one.present),
            _figure(eye.severity),
            eye.seed,
            eye.renderer_version,
            one.right.successes,
            one.right.answers,
            _figure(None if one.figures is None else one.figures.with_rest),
            _figure(None if one.figures is None else one.figures.upper_lower),
            not one.dropped,
        )


def _answer(look: CheckpointLookRow, number: int) -> tuple[object, ...]:
    marks = look.marks or {}
    return (
        number,
        look.position,
        look.shown_at,
        look.answered_at,
        wholly_right(look.marks),
        look.certainty,
        _figure(seconds_taken(look), 1),
        *(marks.get(finding) for finding in FINDINGS),
    )


def _figure(value: float | None, places: int = 4) -> float | None:
    return None if value is None else round(value, places)
