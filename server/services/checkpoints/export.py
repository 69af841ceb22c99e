"""The tables of a checkpoint that is over, as CSV (RFC 4180), without anybody's name.

A learner goes under the pseudonym that they have in all files of their cohort, so
that practice and tests can be set side by side. ``dictionary`` says what every
column means.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict, NotFound
from server.rendering.eye import FINDINGS
from server.services.checkpoints.checkpoint import Checkpoint
from server.services.checkpoints.results import Results, reaches, results, wholly_right
from server.services.cohorts.cohort import Cohort
from server.services.exports.pseudonyms import key_of, pseudonym
from server.storage import audit, sittings
from server.storage import checkpoints as rows

COLUMNS: dict[str, dict[str, str]] = {
    "people": {
        "learner": "pseudonym of a learner, the same in all files of this cohort",
        "eyes_right": "eyes about which every judgement was right",
        "eyes": "eyes that count",
        "share": "eyes_right / eyes",
        "share_low": "lower end of the share's 95 % Wilson interval",
        "share_high": "upper end",
        "passed": "1 when the share reaches the pass mark, else 0; empty without a pass mark",
        "finished": "1 when all eyes were met or the time ended, else 0",
        "rating": "examiner's overall rating, 1 clear fail to 5 excellent; empty for none",
    },
    "eyes": {
        "eye": "number of the eye in the checkpoint",
        "kind": "title of its card",
        "findings": "findings that its masks show, separated by spaces",
        "severity": "of the card's own finding or look-alike, 0 to 1; empty for a normal eye",
        "seed": "the seed that the eye was drawn from",
        "renderer": "version of the renderer that drew it; 0 for an eye that was only described",
        "right": "learners who were right in every judgement about it",
        "learners": "learners who sat the checkpoint",
        "with_rest": "point-biserial correlation with the score on the other eyes that count",
        "upper_lower": "share right in the best 27 % less that in the worst 27 %",
        "counts": "1 when it counts, 0 when it was taken out of the marking",
    },
    "answers": {
        "learner": "pseudonym of a learner, the same in all files of this cohort",
        "eye": "number of the eye in the checkpoint",
        "position": "place of the eye in this learner's order, from 1",
        "answered": "1 when an answer came in time, else 0",
        "right": "1 when every judgement was right, else 0",
        "certainty": "sure, unsure or guessing; empty when the time ended the answer",
        "seconds": "from the picture to the commit, time out of sight taken off; empty if unknown",
        **dict.fromkeys(
            FINDINGS, "hit, miss, false-alarm or correct-rejection; empty when not asked"
        ),
    },
}
"""Columns by table, each with what it means."""

TABLES = (*COLUMNS, "dictionary")


def grant(
    session: Session,
    asker_id: UUID,
    cohort: Cohort,
    checkpoint: Checkpoint,
    name: str,
    now: datetime,
) -> bytes:
    """Let a lead take one of the tables along; return the key of its pseudonyms.

    The audit trail keeps it, but for the dictionary, which tells of nobody.

    Raises
    ------
    NotFound : there is no such table.
    Conflict : the checkpoint is not over.
    """
    if name not in TABLES:
        raise NotFound(f"There is no table {name!r}: ask for {', '.join(TABLES)}.")
    if not checkpoint.is_over:
        raise Conflict("This checkpoint is not over: its tables come afterwards.")
    if name != "dictionary":
        audit.add(
            session,
            "export-checkpoint",
            now,
            actor_id=asker_id,
            subject_id=None,
            cohort_id=cohort.id,
        )
    return key_of(session, cohort.id)


def table(session: Session, cohort: Cohort, checkpoint: Checkpoint, name: str, key: bytes) -> str:
    """Return one of the tables that were granted: people, eyes, answers, or their dictionary."""
    if name == "dictionary":
        lines: Iterator[Sequence[object]] = (
            (each, column, meaning)
            for each, columns in COLUMNS.items()
            for column, meaning in columns.items()
        )
        return _as_csv(("table", "column", "meaning"), lines)
    found = results(session, cohort, checkpoint.id)
    if name == "people":
        lines = _people(checkpoint, found, key)
    elif name == "eyes":
        lines = _eyes(session, checkpoint, found)
    else:
        lines = _answers(session, checkpoint, key)
    return _as_csv(tuple(COLUMNS[name]), lines)


def _people(checkpoint: Checkpoint, found: Results, key: bytes) -> Iterator[Sequence[object]]:
    percent = checkpoint.pass_percent
    for one in sorted(found.people, key=lambda each: pseudonym(key, each.learner_id)):
        interval = one.score.interval
        yield (
            pseudonym(key, one.learner_id),
            one.score.successes,
            one.score.answers,
            _figure(one.score.estimate),
            _figure(interval.low),
            _figure(interval.high),
            "" if percent is None else int(reaches(one.score, percent)),
            int(one.finished),
            "" if one.rating is None else one.rating,
        )


def _eyes(session: Session, checkpoint: Checkpoint, found: Results) -> Iterator[Sequence[object]]:
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
            int(not one.dropped),
        )


def _answers(session: Session, checkpoint: Checkpoint, key: bytes) -> Iterator[Sequence[object]]:
    learners = {
        line.sitting.id: pseudonym(key, line.sitting.learner_id)
        for line in sittings.of_checkpoint(session, checkpoint.id)
    }
    looks = sittings.all_looks(session, checkpoint.id)
    for look, number in sorted(
        looks, key=lambda one: (learners[one.look.sitting_id], one.look.position)
    ):
        seconds = (
            None if look.response_ms is None else (look.response_ms - (look.hidden_ms or 0)) / 1000
        )
        yield (
            learners[look.sitting_id],
            number,
            look.position,
            int(look.answer_id is not None),
            int(wholly_right(look.marks)),
            look.certainty or "",
            _figure(seconds, 1),
            *((look.marks or {}).get(finding, "") for finding in FINDINGS),
        )


def _figure(value: float | None, places: int = 4) -> str:
    return "" if value is None else f"{value:.{places}f}"


def _as_csv(head: Sequence[str], lines: Iterator[Sequence[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(head)
    writer.writerows([[_cell(value) for value in line] for line in lines])
    return text.getvalue()


def _cell(value: object) -> object:
    """Return a cell that no spreadsheet takes for a formula; our own numbers stay numbers."""
    if isinstance(value, str) and value.startswith(("=", "+", "@", "\t", "\r")):
        return f"'{value}"
    if isinstance(value, str) and value.startswith("-") and not _is_number(value):
        return f"'{value}"
    return value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
