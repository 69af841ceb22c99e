"""Sitting a checkpoint: begun once, resumed at will, every answer counted exactly once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from random import SystemRandom
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.rendering.truth import Truth
from server.scheduling.marking import mark
from server.services.checkpoints.checkpoint import GRACE
from server.services.checkpoints.mine import Mine, row_of, standing_of, why_not
from server.services.learners import Learner
from server.services.study.answering import LONGEST_MS
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.models import (
    CheckpointLookRow,
    CheckpointSittingRow,
    EyeRow,
)


@dataclass(frozen=True)
class Shown:
    """The eye to judge next; nothing in it gives the answer away.

    Parameters
    ----------
    seconds_left : for this eye; None for no limit.
    """

    look_id: UUID
    position: int
    eyes: int
    picture: str
    size_px: int
    view_title: str
    field_deg: float
    side: str
    asked: tuple[str, ...]
    seconds_left: float | None


@dataclass(frozen=True)
class Sheet:
    """An answer as the learner's device sends it; ``certainty`` is None when the time ended it."""

    answer_id: UUID
    present: Sequence[str]
    certainty: str | None
    response_ms: int | None = None
    hidden_ms: int | None = None


def begin(session: Session, learner: Learner, checkpoint_id: UUID, now: datetime) -> None:
    """Begin a sitting; a second time goes on with the first. Writes.

    Raises
    ------
    NotFound : it is none of the learner's.
    Conflict : it is not open to them.
    """
    row = row_of(session, learner, checkpoint_id)
    rows.hold(session, checkpoint_id)
    if sittings.of_learner(session, checkpoint_id, learner.id, held=True) is not None:
        return
    standing = standing_of(session, learner, row, now)
    if not standing.may_answer:
        raise Conflict(why_not(standing, now))
    order = [full.item.number for full in rows.items(session, checkpoint_id)]
    SystemRandom().shuffle(order)
    session.add(
        CheckpointSittingRow(
            id=uuid4(),
            checkpoint_id=checkpoint_id,
            learner_id=learner.id,
            began_at=now,
            finished_at=None,
            item_order=order,
            rating=None,
        )
    )
    session.flush()


def next_eye(
    session: Session, learner: Learner, checkpoint_id: UUID, now: datetime
) -> Shown | None:
    """Return the eye that waits for its answer, or the next; None at the end. Writes.

    Raises
    ------
    NotFound : it is none of the learner's.
    Conflict : they have not begun it.
    """
    row = row_of(session, learner, checkpoint_id)
    sitting = sittings.of_learner(session, checkpoint_id, learner.id, held=True)
    if sitting is None:
        raise Conflict("You have not begun this checkpoint yet: begin it on its page.")
    if sitting.finished_at is not None:
        return None
    standing = standing_of(session, learner, row, now)
    shown = sittings.looks(session, sitting.id)
    if not standing.may_answer:
        _finish(sitting, shown, now)
        session.flush()
        return None
    for look, number in shown:
        if look.answer_id is not None or look.ran_out:
            continue
        left = _seconds_left(look, standing, now)
        if left is None or left > 0:
            return _shown(session, checkpoint_id, look, number, standing, left)
        # What was on its way when the time ended may still come within the grace.
        look.ran_out = True
    met = {number for _, number in shown}
    ahead = [number for number in sitting.item_order if number not in met]
    if not ahead:
        _finish(sitting, shown, now)
        session.flush()
        return None
    found = rows.item(session, checkpoint_id, ahead[0])
    assert found is not None
    look = CheckpointLookRow(
        id=uuid4(),
        sitting_id=sitting.id,
        item_id=found.item.id,
        position=len(shown) + 1,
        shown_at=now,
        ran_out=False,
        answer_id=None,
        answered_at=None,
        judgements=None,
        marks=None,
        certainty=None,
        response_ms=None,
        hidden_ms=None,
    )
    session.add(look)
    session.flush()
    return _shown(
        session, checkpoint_id, look, ahead[0], standing, _seconds_left(look, standing, now)
    )


def answer(
    session: Session,
    learner: Learner,
    checkpoint_id: UUID,
    look_id: UUID,
    sheet: Sheet,
    now: datetime,
) -> None:
    """Take an answer, exactly once: the same again changes nothing, and the first one stands.

    Nothing of it enters the learner's practice.

    Raises
    ------
    NotFound : no such look of this learner.
    Conflict : it came too late, or its id belongs to another eye.
    BadInput : the sheet judges what was not asked, or its times cannot be.
    """
    row = row_of(session, learner, checkpoint_id)
    sitting = sittings.of_learner(session, checkpoint_id, learner.id, held=True)
    found = None
    if sitting is not None:
        looks = sittings.looks(session, sitting.id)
        found = next((one for one in looks if one.look.id == look_id), None)
    if sitting is None or found is None:
        raise NotFound("This eye was not shown to you, or its checkpoint is gone.")
    look = found.look
    if look.answer_id is not None:
        return
    if sittings.answer_is_known(session, sheet.answer_id):
        raise Conflict("This answer was already given for another eye: reload the page.")
    standing = standing_of(session, learner, row, now)
    left = _seconds_left(look, standing, now)
    if now > standing.closes_at + GRACE or (left is not None and left < -GRACE.total_seconds()):
        raise Conflict("This answer came after its time and cannot be counted.")
    full = rows.item(session, checkpoint_id, found.number)
    assert full is not None
    assert full.eye is not None
    asked = Truth.from_dict(full.eye.truth).asked
    judgements = dict.fromkeys(asked, "normal") | dict.fromkeys(sheet.present, "present")
    look.marks = marks_of(full.eye, judgements)
    look.judgements = judgements
    look.answer_id, look.answered_at, look.ran_out = sheet.answer_id, now, False
    look.certainty = sheet.certainty
    look.response_ms, look.hidden_ms = _checked_times(sheet)
    if len(looks) == len(sitting.item_order) and all(
        one.look.answer_id is not None or one.look.ran_out for one in looks
    ):
        sitting.finished_at = sitting.finished_at or now
    session.flush()


def marks_of(eye: EyeRow, judgements: Mapping[str, str]) -> dict[str, str]:
    """Return the verdict on each judgement about an eye, as it is stored.

    Raises
    ------
    BadInput : the sheet does not answer what was asked.
    """
    truth = Truth.from_dict(eye.truth)
    marked = mark(asked=truth.asked, present=truth.present, judgements=judgements, own_finding=None)
    return {name: verdict.value for name, verdict in marked.verdicts.items()}


def _checked_times(sheet: Sheet) -> tuple[int | None, int | None]:
    if sheet.response_ms is None:
        return None, None
    hidden = sheet.hidden_ms or 0
    if not 0 <= hidden <= sheet.response_ms <= LONGEST_MS:
        raise BadInput("These times are not possible: reload the page.")
    return sheet.response_ms, hidden


def _seconds_left(look: CheckpointLookRow, standing: Mine, now: datetime) -> float | None:
    if standing.eye_seconds is None:
        return None
    return standing.eye_seconds - (now - look.shown_at).total_seconds()


def _finish(
    sitting: CheckpointSittingRow, shown: Sequence[sittings.Numbered], now: datetime
) -> None:
    for look, _ in shown:
        if look.answer_id is None:
            look.ran_out = True
    sitting.finished_at = now


def _shown(
    session: Session,
    checkpoint_id: UUID,
    look: CheckpointLookRow,
    number: int,
    standing: Mine,
    left: float | None,
) -> Shown:
    full = rows.item(session, checkpoint_id, number)
    assert full is not None
    assert full.eye is not None
    eye = full.eye
    return Shown(
        look_id=look.id,
        position=look.position,
        eyes=standing.checkpoint.eyes,
        picture=eye.picture,
        size_px=eye.size_px,
        view_title=eye.view_title,
        field_deg=eye.field_deg,
        side=eye.side,
        asked=Truth.from_dict(eye.truth).asked,
        seconds_left=left,
    )
