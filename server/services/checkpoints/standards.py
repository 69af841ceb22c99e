"""Before results go out: an eye taken out of the marking, a pass mark, and the release."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.measurement.standard_setting import (
    BorderlineMark,
    JudgedMark,
    borderline_mark,
    judged_mark,
)
from server.services.checkpoints.checkpoint import held_checkpoint
from server.services.checkpoints.composing import note
from server.services.checkpoints.results import Results
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.models import CheckpointEstimateRow, CheckpointRow

RATINGS = {1: "clear fail", 2: "borderline", 3: "clear pass", 4: "good", 5: "excellent"}
BORDERLINE = 2

LONGEST_JUDGE = 60
MOST_JUDGES = 30


@dataclass(frozen=True)
class Judge:
    """Somebody who estimated the eyes.

    Parameters
    ----------
    mark : share of the eyes by their estimates alone; None while one of them is missing.
    estimates : per cent by number of the eye.
    """

    name: str
    mark: float | None
    estimates: Mapping[int, int]


@dataclass(frozen=True)
class Standards:
    """What judges and ratings say of the pass mark, as far as they do.

    Parameters
    ----------
    judged : from the judges who estimated every eye that counts; None without one.
    borderline : None where it cannot be worked out, and ``why_not`` says why.
    """

    judges: tuple[Judge, ...]
    judged: JudgedMark | None
    borderline: BorderlineMark | None
    why_not: str

    @property
    def judged_percent(self) -> int | None:
        """The judges' mark as a whole share of the eyes that reaches it."""
        # 60 % computed from shares may be 60.00000000000001 in binary.
        return None if self.judged is None else math.ceil(100 * self.judged.share - 1e-9)


def standards(session: Session, checkpoint_id: UUID, found: Results) -> Standards:
    """Return the pass marks that judges' estimates and examiners' ratings lead to. Reads only."""
    counted = [each.number for each in found.items if not each.dropped]
    given = rows.estimates(session, checkpoint_id)
    whole = [
        [estimates[number] / 100 for number in counted]
        for estimates in given.values()
        if counted and all(number in estimates for number in counted)
    ]
    rated = [each for each in found.people if each.rating is not None]
    borderline, why_not = None, ""
    try:
        borderline = borderline_mark(
            [float(each.rating or 0) for each in rated],
            [100 * (each.score.estimate or 0.0) for each in rated],
            BORDERLINE,
        )
    except BadInput as problem:
        why_not = str(problem)
    return Standards(
        judges=tuple(_judge(name, estimates, counted) for name, estimates in given.items()),
        judged=judged_mark(whole) if whole else None,
        borderline=borderline,
        why_not=why_not,
    )


def _judge(name: str, estimates: Mapping[int, int], counted: Sequence[int]) -> Judge:
    whole = bool(counted) and all(number in estimates for number in counted)
    mark = sum(estimates[number] for number in counted) / len(counted) / 100 if whole else None
    return Judge(name, mark, estimates)


def drop(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    number: int,
    now: datetime,
    *,
    dropped: bool,
) -> None:
    """Take an eye out of the marking of everybody, or put it back; twice changes nothing.

    Raises
    ------
    NotFound : the checkpoint is none of the asker's, or has no such eye.
    Conflict : it is not over yet, or no eye would be left.
    """
    _held_when_over(session, asker_id, cohort_id, checkpoint_id, now)
    found = rows.item(session, checkpoint_id, number)
    if found is None:
        raise NotFound("This checkpoint has no such eye.")
    if (found.item.dropped_at is not None) == dropped:
        return
    left = [each for each in rows.items(session, checkpoint_id) if each.item.dropped_at is None]
    if dropped and len(left) == 1:
        raise Conflict("This is the last eye that counts: it has to stay.")
    found.item.dropped_at = now if dropped else None
    session.flush()
    note(session, "checkpoint-item", asker_id, cohort_id, now)


def estimate(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    judge: str,
    percents: Mapping[int, int],
    now: datetime,
) -> None:
    """Keep a judge's estimates in place of earlier ones; none at all takes the judge out.

    Raises
    ------
    NotFound : the checkpoint is none of the asker's.
    BadInput : the judge has no name, an estimate is no share, or there are too many judges.
    """
    held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    name = " ".join(judge.split())
    if not name or len(name) > LONGEST_JUDGE or not name.isprintable():
        raise BadInput(f"Say who judges, in 1 to {LONGEST_JUDGE} characters.")
    if any(not 0 <= percent <= 100 for percent in percents.values()):
        raise BadInput("An estimate is 0 to 100, of 100 learners who only just pass.")
    known = rows.estimates(session, checkpoint_id)
    if name not in known and len(known) >= MOST_JUDGES:
        raise BadInput(f"A checkpoint has {MOST_JUDGES} judges at most.")
    ids = {each.item.number: each.item.id for each in rows.items(session, checkpoint_id)}
    strange = set(percents) - set(ids)
    if strange:
        raise BadInput(f"There is no eye {min(strange)} in this checkpoint.")
    rows.forget_judge(session, checkpoint_id, name)
    session.add_all(
        CheckpointEstimateRow(item_id=ids[number], judge=name, percent=percent)
        for number, percent in percents.items()
    )
    session.flush()
    note(session, "checkpoint-standard", asker_id, cohort_id, now)


def estimates_of(session: Session, checkpoint_id: UUID, judge: str) -> Mapping[int, int]:
    """Return one judge's estimates in per cent, by number of the eye."""
    return rows.estimates(session, checkpoint_id).get(" ".join(judge.split()), {})


def rate(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    ratings: Mapping[UUID, int | None],
    now: datetime,
) -> None:
    """Keep examiners' overall ratings of learners; None takes one back.

    Raises
    ------
    NotFound : the checkpoint is none of the asker's.
    BadInput : a rating is not 1 to 5. Ratings of learners who did not sit are left aside.
    """
    held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    for line in sittings.of_checkpoint(session, checkpoint_id):
        learner_id = line.sitting.learner_id
        if learner_id not in ratings:
            continue
        rating = ratings[learner_id]
        if rating is not None and rating not in RATINGS:
            raise BadInput("A rating is 1 to 5.")
        line.sitting.rating = rating
    session.flush()
    note(session, "checkpoint-standard", asker_id, cohort_id, now)


def release(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    pass_percent: int | None,
    now: datetime,
) -> None:
    """Let learners see their results and the eyes; again changes only the pass mark.

    Raises
    ------
    NotFound : the checkpoint is none of the asker's.
    Conflict : somebody may still answer.
    BadInput : the pass mark is no share.
    """
    row = _held_when_over(session, asker_id, cohort_id, checkpoint_id, now)
    if pass_percent is not None and not 1 <= pass_percent <= 100:
        raise BadInput("The pass mark is 1 to 100 per cent of the eyes, or empty for none.")
    row.released_at = row.released_at or now
    row.pass_percent = pass_percent
    session.flush()
    note(session, "checkpoint-released", asker_id, cohort_id, now)


def _held_when_over(
    session: Session, asker_id: UUID, cohort_id: UUID, checkpoint_id: UUID, now: datetime
) -> CheckpointRow:
    row, standing = held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    if not standing.is_over:
        raise Conflict("This checkpoint is not over: somebody may still answer.")
    return row
