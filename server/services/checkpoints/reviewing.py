"""A learner's own result, once it is released: the score, and every eye as it was. Reads only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import cast
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict, NotFound
from server.measurement.proportions import Proportion
from server.measurement.tally import Tally, one
from server.rendering.eye import FINDINGS
from server.rendering.outlines import Region
from server.rendering.truth import Truth
from server.services.checkpoints.checkpoint import Stage
from server.services.checkpoints.mine import mine
from server.services.checkpoints.results import reaches, wholly_right
from server.services.learners import Learner
from server.services.study.results import CardInfo, FindingResult, Judgement, Mark
from server.services.study.shown import card_value
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.models import CardRow, CheckpointLookRow, EyeRow


@dataclass(frozen=True)
class OwnEye:
    """An eye in the list of a learner's result; it counts unless it was dropped."""

    position: int
    picture: str
    size_px: int
    side: str
    answered: bool
    right: bool
    dropped: bool


@dataclass(frozen=True)
class OwnResult:
    """What a learner reached.

    Parameters
    ----------
    passed : None where nothing is said of passing.
    """

    score: Proportion
    passed: bool | None
    pass_percent: int | None
    findings: tuple[tuple[str, Tally], ...]
    eyes: tuple[OwnEye, ...]


@dataclass(frozen=True)
class Reviewed:
    """One eye of a released checkpoint with what this learner said of it.

    Parameters
    ----------
    position, eyes : its place among those that this learner was shown, from 1.
    """

    position: int
    eyes: int
    picture: str
    twin: str
    size_px: int
    side: str
    field_deg: float
    answered: bool
    right: bool
    dropped: bool
    certainty: str | None
    findings: tuple[FindingResult, ...]
    outlines: dict[str, tuple[Region, ...]]
    card: CardInfo
    point_right: bool | None = None


def own_result(
    session: Session, learner: Learner, checkpoint_id: UUID, now: datetime
) -> OwnResult | None:
    """Return what a learner reached; None before the release, or where they did not sit it.

    Raises
    ------
    NotFound : the checkpoint is none of theirs.
    """
    standing = mine(session, learner, checkpoint_id, now)
    sitting = sittings.of_learner(session, checkpoint_id, learner.id)
    if standing.checkpoint.stage is not Stage.RELEASED or sitting is None:
        return None
    looks = {number: look for look, number in sittings.looks(session, sitting.id)}
    full = {each.item.number: each for each in rows.items(session, checkpoint_id)}
    counted = [number for number, each in full.items() if each.item.dropped_at is None]
    right = sum(wholly_right(looks[number].marks) for number in counted if number in looks)
    score = Proportion(right, len(counted))
    percent = standing.checkpoint.pass_percent
    tallies = dict.fromkeys(FINDINGS, Tally())
    for number in counted:
        marks = looks[number].marks if number in looks else None
        for finding, mark in (marks or {}).items():
            tallies[finding] += one(mark)
    return OwnResult(
        score=score,
        passed=None if percent is None else reaches(score, percent),
        pass_percent=percent,
        findings=tuple(tallies.items()),
        eyes=tuple(
            OwnEye(
                position=look.position,
                picture=eye.picture,
                size_px=eye.size_px,
                side=eye.side,
                answered=look.answer_id is not None,
                right=wholly_right(look.marks),
                dropped=full[number].item.dropped_at is not None,
            )
            for number, look in looks.items()
            if (eye := full[number].eye) is not None
        ),
    )


def reviewed(
    session: Session, learner: Learner, checkpoint_id: UUID, position: int, now: datetime
) -> Reviewed:
    """Return one eye of a released checkpoint as this learner met it.

    Raises
    ------
    NotFound : the checkpoint is none of theirs, or they were not shown so many eyes.
    Conflict : it is not released.
    """
    standing = mine(session, learner, checkpoint_id, now)
    if standing.checkpoint.stage is not Stage.RELEASED:
        raise Conflict("The eyes are shown once your course has released the results.")
    sitting = sittings.of_learner(session, checkpoint_id, learner.id)
    looks = [] if sitting is None else sittings.looks(session, sitting.id)
    if not 1 <= position <= len(looks):
        raise NotFound("You were not shown this eye.")
    look, number = looks[position - 1]
    full = rows.item(session, checkpoint_id, number)
    assert full is not None
    assert full.eye is not None
    card = session.get_one(CardRow, full.version.card_id)
    return Reviewed(
        position=position,
        eyes=len(looks),
        picture=full.eye.picture,
        twin=full.eye.twin,
        size_px=full.eye.size_px,
        side=full.eye.side,
        field_deg=full.eye.field_deg,
        answered=look.answer_id is not None,
        right=wholly_right(look.marks),
        dropped=full.item.dropped_at is not None,
        certainty=look.certainty,
        findings=_findings(full.eye, look),
        outlines={
            kind: tuple(Region.from_dict(region) for region in regions)
            for kind, regions in full.eye.outlines.items()
        },
        card=card_value(full.version.content, card.words_terms),
    )


def _findings(eye: EyeRow, look: CheckpointLookRow) -> tuple[FindingResult, ...]:
    marks, judgements = look.marks or {}, look.judgements or {}
    return tuple(
        FindingResult(
            finding=name,
            asked=name in marks,
            present=found.present,
            judged=cast("Judgement | None", judgements.get(name)),
            mark=cast("Mark | None", marks.get(name)),
            measure=found.measure,
            unit=found.unit,
            regions=found.regions,
        )
        for name, found in Truth.from_dict(eye.truth).findings.items()
    )
