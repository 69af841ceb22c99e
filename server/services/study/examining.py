"""What was looked at before an answer at the bedside: followed, measured and kept with it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.optics import Coverage, Routine, why_missed
from server.optics.recorded_path import AGAIN
from server.rendering.filling import filled
from server.rendering.truth import Truth
from server.services.instrument import Followed, follow
from server.services.study.bedside_looks import cells_of, patient_of
from server.services.study.results import Submission
from server.storage.looks import ShownLook
from server.storage.models import AnswerRow, ExaminationRow

PLACE_PX = 480
"""Pixels across in which the place of a finding is filled: four to a cell."""

LONGEST_REFUSAL = 300


def examine(
    session: Session,
    shown: ShownLook,
    stored: AnswerRow,
    submission: Submission,
    now: datetime,
) -> ExaminationRow | None:
    """Keep what was looked at with the answer; None where nothing was recorded. Writes.

    A recording that is broken or not of this eye is refused with the reason, and the answer
    stands: it was judged by its sheet alone.
    """
    if shown.wide is None or not submission.path:
        return None
    row = ExaminationRow(
        answer_id=stored.id,
        learner_id=stored.learner_id,
        ordinal=stored.ordinal,
        path=None,
        refused="",
        regions=[],
        misses={},
    )
    elapsed = max(0, round((now - shown.look.shown_at).total_seconds() * 1000))
    try:
        patient = patient_of(shown.look, shown.eye)
        done = follow(
            submission.path,
            patient,
            cells_of(patient, shown.wide),
            counted=submission.counted,
            elapsed_ms=elapsed,
        )
    except BadInput as problem:
        # The eye is answered: nobody can look again.
        row.refused = str(problem).removesuffix(AGAIN).strip()[:LONGEST_REFUSAL]
    else:
        row.path = submission.path
        _measure(row, done.routine)
        row.misses = misses(done.coverage, Truth.from_dict(shown.truth), stored.marks)
    session.add(row)
    return row


def followed(shown: ShownLook, row: ExaminationRow) -> Followed | None:
    """Follow a stored recording again: the eye and its cells stay as they were."""
    if shown.wide is None or not row.path:
        return None
    patient = patient_of(shown.look, shown.eye)
    return follow(row.path, patient, cells_of(patient, shown.wide))


def misses(coverage: Coverage, truth: Truth, marks: dict[str, Any]) -> dict[str, str]:
    """Return why each missed finding was missed: 'search' or 'recognition', by finding."""
    out: dict[str, str] = {}
    for finding in truth.present:
        if marks.get(finding) == "miss":
            place = filled(truth[finding].regions, PLACE_PX)
            if place.any():
                out[finding] = why_missed(coverage, place).kind
    return out


def _measure(row: ExaminationRow, done: Routine) -> None:
    row.duration_ms = done.duration_ms
    row.seen_share = round(done.seen_share, 4)
    row.disc_first = done.disc_first
    row.macula_last = done.macula_last
    row.in_order = None if done.in_order is None else round(done.in_order, 4)
    row.complete = done.complete
    row.regions = [
        {
            "region": one.region,
            "share": round(one.share, 4),
            "attention_ms": one.attention_ms,
            "visited_ms": one.visited_ms,
            "looked_over": one.looked_over,
        }
        for one in done.regions
    ]
