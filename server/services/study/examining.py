"""What was looked at before an answer at the bedside: followed, measured and kept with it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from server.errors import BadInput
from server.optics import Coverage, Recalled, Routine, recalled, why_missed
from server.optics.recorded_path import AGAIN
from server.rendering.filling import filled
from server.rendering.outlines import PICTURE_UNITS
from server.rendering.truth import Truth
from server.services.instrument import FIELD_DEG, Followed, Patient, follow
from server.services.study.bedside_looks import cells_of, patient_of
from server.services.study.results import Placed, Submission
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
    """Keep what was looked at with the answer; None where nothing was recorded or placed. Writes.

    A recording that is broken or not of this eye is refused with the reason, and the answer
    stands: it was judged by its sheet alone.
    """
    if shown.wide is None or not (submission.path or submission.place):
        return None
    truth = Truth.from_dict(shown.truth)
    patient = patient_of(shown.look, shown.eye)
    row = ExaminationRow(
        answer_id=stored.id,
        learner_id=stored.learner_id,
        ordinal=stored.ordinal,
        path=None,
        refused="",
        regions=[],
        misses={},
        recalled=None
        if submission.place is None
        else recall(submission.place, truth, stored, patient),
    )
    session.add(row)
    if submission.path:
        _follow(row, shown, patient, truth, stored, submission, now)
    return row


def _follow(
    row: ExaminationRow,
    shown: ShownLook,
    patient: Patient,
    truth: Truth,
    stored: AnswerRow,
    submission: Submission,
    now: datetime,
) -> None:
    assert shown.wide is not None
    elapsed = max(0, round((now - shown.look.shown_at).total_seconds() * 1000))
    try:
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
        row.misses = misses(done.coverage, truth, stored.marks)


def followed(shown: ShownLook, row: ExaminationRow) -> Followed | None:
    """Follow a stored recording again: the eye and its cells stay as they were."""
    if shown.wide is None or not row.path:
        return None
    patient = patient_of(shown.look, shown.eye)
    return follow(row.path, patient, cells_of(patient, shown.wide))


def recall(
    mark: tuple[float, float], truth: Truth, stored: AnswerRow, patient: Patient
) -> dict[str, Any]:
    """Return a mark made from memory and how near it came to what was rightly seen.

    What was imagined has no place, and what was missed was not what the mark was for.
    """
    place = np.zeros((PLACE_PX, PLACE_PX), bool)
    for finding in truth.present:
        if stored.marks.get(finding) == "hit":
            place |= filled(truth[finding].regions, PLACE_PX)
    kept: dict[str, Any] = {"x": mark[0], "y": mark[1], "verdict": None}
    if place.any():
        x, y = (
            middle + (value / PICTURE_UNITS - 0.5) * FIELD_DEG
            for value, middle in zip(mark, patient.centre_deg, strict=True)
        )
        came = recalled((x, y), place, FIELD_DEG, patient.centre_deg)
        kept |= {"verdict": came.verdict, "score": round(came.score, 4)}
        kept["distance_deg"] = round(came.distance_deg, 2)
    return kept


def placed(row: ExaminationRow) -> Placed | None:
    """Return the mark made from memory, as its page needs it."""
    kept = row.recalled
    if kept is None:
        return None
    came = None
    if kept["verdict"] is not None:
        came = Recalled(kept["verdict"], kept["distance_deg"], kept["score"])
    return Placed(kept["x"], kept["y"], came)


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
